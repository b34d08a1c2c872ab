# SPDX-License-Identifier: MIT
"""The single source of what the bench does now: the run that the page drives, or one that another
program drives and this page listens to. Each snapshot is encoded once for all viewers."""

from __future__ import annotations

import contextlib
import json
import logging
import secrets
import select
import socket
import threading
import time
from collections.abc import Mapping
from pathlib import Path

from rig.core import state_file
from rig.core.clock import boot_id
from rig.core.errors import RefusedError, RigError
from rig.core.json_values import JsonObject
from webui.live.complaints import Complaints
from webui.live.driven import Driven
from webui.live.files import Files
from webui.live.stopping import Stopped, running, stop
from webui.live.view import LiveView

LOG = logging.getLogger(__name__)
TICK_S = 0.2
LOOK_S = 1.0
"""How often to check whether another program runs a bench."""
GUARD_FIRST_S = 3.0
"""A dead bench is for the guard to latch, which knows about the coil; the page comes after it."""
CLOSE_S = 2.0
"""How long the page's end waits for a look at the state files that a disk holds up."""
IDLE, LOOKING, WAITING, RUNNING, ENDED = "idle", "looking", "waiting", "running", "ended"


class Hub:
    """Feed pages. `payload` is the latest snapshot as JSON bytes with its sequence number."""

    def __init__(self, states: Path, files: Files) -> None:
        self._states, self.files = states, files
        self._lock = threading.RLock()
        self._changed = threading.Condition()
        self._sequence, self._payload = 0, b"{}"
        self._phase = IDLE
        self._driven: Driven | None = None
        self._view: LiveView | None = None
        self._facts: JsonObject = {}
        """Information that stays: preflight, outcome, refusal, whose run it is."""
        self.given: JsonObject = {}
        """Entries for the last run that was looked at, until the bench is cleared."""
        self._ready_ns: int | None = None
        """When a coil that was too warm to start will have cooled (monotonic)."""
        self._others: Overhearing | None = None
        self._dead_since: dict[Path, float] = {}
        self._dead_words = ""
        self._unpublished = Complaints(LOG, "live data could not be published")
        self._unread = Complaints(LOG, "a line of the driven run could not be read")
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._tick, name="live hub", daemon=True)

    # -- its own life

    def start(self) -> None:
        """Start publishing; latch a bench found dead whose release of its line nobody saw."""
        with contextlib.suppress(RigError):
            for path in state_file.state_files(self._states):
                with contextlib.suppress(OSError, RigError):
                    state_file.latch_dead_owner(path)
        self.publish()
        self._thread.start()

    def close(self) -> None:
        """The page ends: first stop a run that it drives, whatever waits for a disk."""
        self._over.set()
        with self._changed:
            self._changed.notify_all()
        driven = self._driven
        if driven is not None:
            driven.close()
        if self._thread.is_alive():
            self._thread.join(CLOSE_S)
        if self._others is not None:
            self._others.close()

    def _tick(self) -> None:
        looked = 0.0
        while not self._over.wait(TICK_S):
            now = time.monotonic()
            if now - looked >= LOOK_S:
                looked = now
                with contextlib.suppress(OSError, RigError):
                    self._look_for_others()
                with contextlib.suppress(OSError, RigError):
                    self._look_for_dead(now)
            with self._unpublished.survived():  # retried on the next turn
                self.publish()

    @property
    def over(self) -> bool:
        """Whether the page ends."""
        return self._over.is_set()

    def publish(self) -> None:
        """Encode the current state once, and wake all waiting viewers."""
        data = json.dumps(self.snapshot(), allow_nan=False, separators=(",", ":")).encode()
        with self._changed:
            self._sequence += 1
            self._payload = data
            self._changed.notify_all()

    def wait(self, after: int, within_s: float) -> tuple[int, bytes]:
        """The first snapshot later than `after`, or the latest on timeout."""
        with self._changed:
            self._changed.wait_for(lambda: self.over or self._sequence > after, within_s)
            return self._sequence, self._payload

    def snapshot(self) -> JsonObject:
        """The current snapshot."""
        now_ns = time.monotonic_ns()
        with self._lock:  # the view is updated under the same lock
            phase, facts = self._phase, dict(self._facts)
            other = self._others is not None and self._driven is None
            shown = self._view.facts(now_ns) if self._view is not None else None
            if self._ready_ns is not None:
                facts["ready_in_s"] = max(0.0, (self._ready_ns - now_ns) / 1e9)
            if self._dead_words:
                facts.setdefault("alarm", self._dead_words)
        return {"phase": RUNNING if other else phase, "other": other, **facts, "live": shown}

    @property
    def phase(self) -> str:
        return self._phase

    @property
    def busy(self) -> bool:
        """A bench of this computer is at work: nothing heavy may run beside it."""
        with self._lock:
            return self._phase == RUNNING or (self._others is not None and not self._others.over)

    @property
    def at_rest(self) -> bool:
        """No bench of this computer is at work or being opened, and none is out of control."""
        with self._lock:
            others = self._others is not None and not self._others.over
            idle = self._phase in (IDLE, ENDED) and self._driven is None
            return idle and not others and not self._facts.get("alarm")

    # -- orders of the operator

    def look(self, setup: str, sheet: str, options: Mapping[str, object]) -> None:
        """Open the rig and look at every input, without energising anything.

        `setup` and `sheet` are names in `files`. Raises RefusedError during a run, and FileProblems
        for files that cannot be used.
        """
        with self._lock:
            if self._driven is not None or self._others is not None:
                if self._phase in (LOOKING, WAITING):
                    raise RefusedError(
                        "The rig is being looked at already: arm it, or leave it.",
                        id_="refusal.already-looked-at",
                    )
                raise RefusedError(
                    "A run goes on. Wait for its end, or stop it.", id_="refusal.run-goes-on"
                )
            loaded, loaded_sheet = self.files.pair(setup, sheet)
            self._view = LiveView(loaded.setup, loaded_sheet.sheet, loaded.setup.backend)
            self._facts = {
                "setup": setup, "sheet": sheet, "title": loaded.setup.title,
                "valve": options.get("valve"), "job": options.get("job"), "by": options.get("by"),
                "backend": loaded.setup.backend, "look": secrets.token_hex(8),
            }  # fmt: skip
            self._phase, self._ready_ns = LOOKING, None
            self.given = {**options, "setup": setup, "sheet": sheet}
            plan = {
                "setup": str(self.files.setups[setup]),
                "sheet": str(self.files.sheet_path(sheet)),
                "options": dict(options),
            }
            self._driven = Driven(plan, self._heard, self._ended)
        self.publish()

    def go(self, by: str, look: str, *, not_watched_accepted: bool) -> None:
        """Arm and run: a person has confirmed what `look` (a fact of the snapshot) found."""
        with self._lock:
            if self._driven is None or self._phase != WAITING:
                raise RefusedError(
                    "There is nothing to start: look at the rig first.",
                    id_="refusal.nothing-to-start",
                )
            if look != self._facts.get("look"):
                raise RefusedError(
                    "The rig was looked at again since this page was shown. Nothing was energised: "
                    "read what was found now, and confirm that.",
                    id_="refusal.looked-at-again",
                )
            self._phase = RUNNING
            self._driven.order("go", by=by, not_watched_accepted=not_watched_accepted)

    def leave(self) -> None:
        """Close the rig after a look, before the first stroke or after the last."""
        with self._lock:
            if self._driven is not None:
                self._driven.order("stop", why="left on the page")
            elif self._phase == ENDED:
                self._phase, self._view, self._facts = IDLE, None, {}
                self._ready_ns, self.given = None, {}
        self.publish()

    def cleared(self) -> None:
        """After a trip is cleared, remove what tripped or was refused for it from the bench. What
        was typed for it is kept, as its valve is still to be tested."""
        with self._lock:
            if self._driven is None and self._phase == ENDED:
                kept = {name: self._facts.get(name) for name in ("setup", "sheet", "valve")}
                self._phase, self._view, self._facts = IDLE, None, kept
                self._ready_ns = None
        self.publish()

    def beat(self) -> None:
        """Heartbeat of the operator's page."""
        driven = self._driven
        if driven is not None:
            driven.order("beat")

    def stop(self, why: str) -> Stopped:
        """Coil off, for anyone: through the bench's own socket, and by the driven desk as well."""
        try:
            return stop(self._states, why)
        finally:  # whatever the other way achieved
            driven = self._driven
            if driven is not None:
                driven.order("stop", why=why)

    # -- messages from the bench

    def _heard(self, line: bytes) -> None:
        with self._lock, self._unread.survived():
            if line.startswith(b"[") or b'"tell": "status"' in line[:40]:
                if self._view is not None:
                    self._view.line(line, time.monotonic_ns())
                return
            self._told(json.loads(line), line)

    def _told(self, told: JsonObject, line: bytes) -> None:
        kind = told.pop("tell", "")
        match kind:
            case "preflight":
                self._facts["preflight"] = told
                ready_in_s = told.get("ready_in_s")
                if ready_in_s is not None:
                    self._ready_ns = time.monotonic_ns() + round(ready_in_s * 1e9)
                self._facts["refused"] = [c for c in told["checks"] if c["result"] == "refused"]
            case "waiting":
                self._phase = WAITING
            case "started":
                self._phase = RUNNING
            case "guide" if self._view is not None:
                self._view.line(line, time.monotonic_ns())
            case "alarm":
                self._facts["alarm"] = told["words"]
            case "stopping":
                self._facts["stopping"] = told["why"]
            case "ended":
                self._facts["ended"] = told
            case "analysed":
                self._facts["verdict"] = told["verdict"]
                self._facts["of_the_valve"] = told.get("of_the_valve")
            case "refused" | "not analysed":
                self._facts["message"] = told["why"]
            case "recorder":
                self._facts["recorder"] = told["error"]

    def _ended(self, code: int) -> None:
        with self._lock:
            self._facts.setdefault("code", code)
            self._driven, self._phase = None, ENDED
        if not self._over.is_set():
            self.publish()

    # -- another program's run

    def _look_for_others(self) -> None:
        if self._driven is not None:
            return
        others = self._others
        if others is not None:
            if not others.over:
                return
            self._others = None
            others.close()
        for state in running(self._states):
            if state.owner is not None and state.owner.socket:
                with contextlib.suppress(OSError, RigError):
                    self._overhear(state)
                    return

    def _look_for_dead(self, now_s: float) -> None:
        """Handle a bench that died together with its desk: nobody saw its line released, and nobody
        else reports it. Latch it, and report it until a person has cleared it or made the rig
        safe."""
        words = ""
        for path in state_file.state_files(self._states):
            with contextlib.suppress(OSError, RigError):
                state = state_file.read(path)
                owner = state.owner if state is not None else None
                if owner is None or owner.boot_id != boot_id() or owner.alive():
                    self._dead_since.pop(path, None)
                elif now_s - self._dead_since.setdefault(path, now_s) >= GUARD_FIRST_S:
                    latched = state_file.latch_dead_owner(path)
                    if latched is not None and latched.trip is not None:
                        words = words or f"{latched.rig}: {latched.trip.message}"
        self._dead_words = words

    def _overhear(self, state: state_file.RigState) -> None:
        from rig.config.files.resolved import setup_from_plan

        setup = setup_from_plan(state.plan)
        view = LiveView(setup, None, state.backend)
        others = Overhearing(state.owner.socket if state.owner else "", view, self._lock)
        with self._lock:
            self._others, self._view = others, view
            self._facts = {"title": setup.title, "backend": state.backend, "rig": state.rig}
            self._ready_ns = None
            self._phase = IDLE


class Overhearing(threading.Thread):
    """Create a watcher of a bench that another desk operates."""

    def __init__(self, path: str, view: LiveView, lock: threading.RLock) -> None:
        super().__init__(name="overhears a bench", daemon=True)
        self._view, self._lock, self.over = view, lock, False
        self._sock = socket.socket(socket.AF_UNIX)
        try:
            self._sock.connect(path)
        except OSError:
            self._sock.close()
            raise
        self._ending = threading.Event()
        self._unread = Complaints(LOG, "a line of an overheard bench could not be read")
        self.start()

    def run(self) -> None:
        """Run the thread."""
        try:
            self._listen()
        finally:
            self.over = True

    def _listen(self) -> None:
        buffer = b""
        while not self._ending.is_set():
            if not select.select([self._sock], [], [], 0.3)[0]:
                continue
            try:
                data = self._sock.recv(1 << 18)
            except OSError:
                break
            if not data:
                break
            *lines, buffer = (buffer + data).split(b"\n")
            for line in lines:
                with self._lock, self._unread.survived():
                    self._view.line(line, time.monotonic_ns())

    def close(self) -> None:
        self._ending.set()
        self.join()
        self._sock.close()
