# SPDX-License-Identifier: MIT
"""Modbus RTU: requests for registers, and decoding of a device's reply. Pure; pymodbus encodes and
decodes the frames, the port is opened elsewhere.

Modbus over serial line 1.02 and the application protocol 1.1b3 (function codes 3 and 4).
"""

from __future__ import annotations

import struct
from typing import Any, NamedTuple

from rig.config.gauge.model import TWO_WORDS, GaugeSetup, Registers
from rig.core.records import Condition, Sample
from rig.io.gauges.channels import Channel, further_of, pressure_of, rejected

EXCEPTIONS = {
    1: "it does not know this kind of register (illegal function)",
    2: "there is no such register (illegal data address)",
    3: "it refuses the number of registers (illegal data value)",
    4: "it has failed (server device failure)",
    5: "it needs longer (acknowledge)",
    6: "it is busy (server device busy)",
}
FUNCTIONS = {"holding": 3, "input": 4}
_FORMATS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
SHORTEST = 5
"""Bytes of an exception reply, the shortest there is: address, function, code, CRC."""


JUNK_MOST = 4


class Reply(NamedTuple):
    """The decoded content, and how many bytes it took. Not `whole`: the bytes are no reply, and the
    reply itself may still come."""

    items: list[Sample | Condition]
    used: int
    whole: bool = True


class RegisterRead:
    """One request, and the decoder of its reply. Holds no state beyond the setup."""

    def __init__(self, gauge: GaugeSetup, channel: Channel, place: Registers) -> None:
        if gauge.modbus is None:
            raise ValueError("the setup's gauge has no table modbus")
        self.channel, self._place = channel, place
        self._unit, self._function = gauge.modbus.unit_address, FUNCTIONS[gauge.modbus.registers]
        self.count = 2 if place.type in TWO_WORDS else 1
        self._framer = _framer()
        self.request: bytes = self._framer.buildFrame(
            _request_class(self._function)(
                address=place.address, count=self.count, dev_id=self._unit
            )
        )

    def take(self, t_ns: int, data: bytes) -> Reply | None:
        """Decode `data`, all that arrived since the request; None while it may be half a reply.

        Skips a few bytes of noise before the reply, as adapters send when they turn around. Any
        other bytes that are no reply are rejected, all of them: with one request and one reply,
        nothing valid can follow them.
        """
        for start in range(JUNK_MOST + 1):
            if len(data) - start < 2:
                return None
            if data[start] == self._unit and data[start + 1] & 0x7F == self._function:
                return self._reply(t_ns, data, start)
        return Reply([rejected(t_ns, data, "is no reply to the request")], len(data), whole=False)

    def _reply(self, t_ns: int, data: bytes, start: int) -> Reply | None:
        frame = data[start:]
        length = SHORTEST if frame[1] & 0x80 else SHORTEST + 2 * self.count
        if not frame[1] & 0x80 and len(frame) > 2 and frame[2] != 2 * self.count:
            why = "holds another number of registers"
            return Reply([rejected(t_ns, data, why)], len(data), whole=False)
        if len(frame) < length:
            return None
        frame = frame[:length]
        used, pdu = self._framer.handleFrame(frame, self._unit, 0)
        if pdu is None or used != length:
            return Reply([rejected(t_ns, frame, "has a wrong checksum")], len(data), whole=False)
        if pdu.isError():
            code = int(pdu.exception_code)
            why = EXCEPTIONS.get(code, f"exception {code}")
            said = rejected(t_ns, frame, f"means that the gauge refused: {why}")
            return Reply([said], start + length)
        number = self._number(struct.pack(f">{self.count}H", *pdu.registers))
        return Reply([self.channel.sample(number, t_ns)], start + length)

    def _number(self, data: bytes) -> float:
        place = self._place
        if place.word_order in ("BADC", "DCBA"):  # bytes within a register swapped
            data = b"".join(data[at : at + 2][::-1] for at in range(0, len(data), 2))
        if place.word_order in ("CDAB", "DCBA"):
            data = data[2:] + data[:2]
        value = struct.unpack(_FORMATS[place.type], data)[0]
        return place.scale * float(value) + place.offset


def register_reads(gauge: GaugeSetup) -> list[RegisterRead]:
    """The requests of a gauge, the pressure's first: one for each channel, since devices refuse a
    span in which a register is missing."""
    if gauge.modbus is None:
        raise ValueError("the setup's gauge has no table modbus")
    reads = [RegisterRead(gauge, pressure_of(gauge), gauge.modbus)]
    reads += [
        RegisterRead(gauge, further_of(channel), channel.modbus)
        for channel in gauge.channels
        if channel.modbus is not None
    ]
    return reads


def _framer() -> Any:
    from pymodbus.framer import FramerRTU
    from pymodbus.pdu import DecodePDU

    return FramerRTU(DecodePDU(False))


def _request_class(function: int) -> Any:
    from pymodbus.pdu import register_message

    return {
        3: register_message.ReadHoldingRegistersRequest,
        4: register_message.ReadInputRegistersRequest,
    }[function]
