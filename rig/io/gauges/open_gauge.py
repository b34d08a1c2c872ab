# SPDX-License-Identifier: MIT
"""The only place that chooses the gauge's port by its form."""

from __future__ import annotations

from rig.config.gauge.model import GaugeSetup
from rig.core.clock import Clock, MonotonicClock
from rig.io.gauges.links import ByteLink
from rig.io.gauges.polled import AskedGauge
from rig.io.gauges.serial_link import SerialLink
from rig.io.gauges.streaming import StreamGauge

Gauge = StreamGauge | AskedGauge


def gauge_on(link: ByteLink, clock: Clock, gauge: GaugeSetup) -> Gauge:
    """The gauge of a setup on an opened link. Raises PatternError."""
    if gauge.asked:
        return AskedGauge(link, clock, gauge)
    return StreamGauge(link, clock, gauge)


def open_gauge(gauge: GaugeSetup, port: str | None = None) -> Gauge:
    """Open the gauge's serial port, or `port` instead. Raises HardwareError."""
    level = {"on": True, "off": False, None: None}
    link = SerialLink(
        port or gauge.port, gauge.baud, gauge.bytesize, gauge.parity, gauge.stopbits,
        dtr=level[gauge.dtr], rts=level[gauge.rts],
    )  # fmt: skip
    try:
        return gauge_on(link, MonotonicClock(), gauge)
    except BaseException:
        link.close()
        raise
