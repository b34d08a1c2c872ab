# SPDX-License-Identifier: MIT
"""Orders from the desks, and how long the operating desk has been silent."""

from __future__ import annotations

from rig.bench.interlock.interlock import Interlock
from rig.bench.operator_link import Desk
from rig.core.messages import Order

NS = 1_000_000_000


class DeskOrders:
    """Reads orders each turn. A stop or a silent desk releases the coil here, before anything else
    is done about it.

    `stop_why`: set once the run must end. `finish_why`: set once it must end, as finished, before
    its next stroke. `waiting`: orders for the bench's caller. `lag_s`: how far behind the recorder
    is, as last reported by the desk.
    """

    def __init__(
        self, desk: Desk | None, interlock: Interlock, link_time_s: float, now_ns: int
    ) -> None:
        self._desk, self._interlock, self._link_time_s = desk, interlock, link_time_s
        self._heard_ns = now_ns
        self.stop_why: str | None = None
        self.finish_why: str | None = None
        self.waiting: list[Order] = []
        self.lag_s = 0.0

    def take(self, now_ns: int) -> None:
        """Read the orders that arrived."""
        desk = self._desk
        if desk is None:
            return
        for order in desk.poll():
            self._heard_ns = now_ns
            if order.order in ("stop", "quit"):
                self._interlock.release()
                self.stop_why = order.why or "stopped by a person"
            elif order.order == "finish":
                self.finish_why = order.why or "the desk needs no more strokes"
            elif order.order == "beat":
                self._interlock.program(now_ns, lag_s=order.lag_s, free_mb=order.free_mb)
                self.lag_s = order.lag_s
            else:
                self.waiting.append(order)
        silent = self.silent(now_ns)
        if desk.operator_gone or (self._interlock.energised and silent):
            self._interlock.release()
            self.stop_why = self.stop_why or ("the desk is gone" if desk.operator_gone else silent)

    def silent(self, now_ns: int) -> str:
        """A message if the desk was silent for longer than the link time, else an empty string."""
        silent_s = (now_ns - self._heard_ns) / NS
        if self._desk is None or silent_s <= self._link_time_s:
            return ""
        return f"desk silent for {silent_s:.2f} s"
