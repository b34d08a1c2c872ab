# SPDX-License-Identifier: MIT
"""What the desks asked for, and how long the operating desk has been silent."""

from __future__ import annotations

from rig.bench.interlock.interlock import Interlock
from rig.bench.operator_link import Desk
from rig.core.messages import Order

NS = 1_000_000_000


class DeskOrders:
    """Takes orders each turn. Stop and a silent desk release the coil here, before anything else
    is done about them.

    `stop_why`: set once the run has to end. `finish_why`: set once it is to end before its next
    stroke, as finished. `waiting`: orders for whoever serves the bench. `lag_s`: how far the
    recorder is behind, as the desk said last.
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
        """Take what arrived."""
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
        """Words where the desk was silent for longer than the link time, else nothing."""
        silent_s = (now_ns - self._heard_ns) / NS
        if self._desk is None or silent_s <= self._link_time_s:
            return ""
        return f"desk silent for {silent_s:.2f} s"
