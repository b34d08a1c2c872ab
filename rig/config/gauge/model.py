# SPDX-License-Identifier: MIT
"""The serial gauge (`[gauge]`): where it is plugged in and its protocol form.

rig.config.gauge.rules checks which keys belong to which form.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, ValidationInfo, model_validator

from rig.config.gauge.units import UnitError, factor_kpa
from rig.config.quantity_types import (
    ListAsTuple,
    PressureKpa,
    PressureRangeKpa,
    TimeS,
    is_resolved,
    refuse,
)
from rig.config.strict import Strict

Form = Literal["stream", "query", "modbus", "nmea"]
OtherName = Literal[
    "oil_temperature", "supply_voltage", "coil_current", "engine_speed", "cylinder_pressure"
]
RegisterType = Literal["int16", "uint16", "int32", "uint32", "float32"]
WordOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]
TWO_WORDS = ("int32", "uint32", "float32")


def _is_a_pressure(unit: str, info: ValidationInfo) -> str:
    if not is_resolved(info):
        try:
            factor_kpa(unit)
        except UnitError as error:
            raise refuse(error.what, error.remedy) from error
    return unit


PressureUnit = Annotated[str, AfterValidator(_is_a_pressure)]
"""A unit of rig.config.gauge.units, as written."""


class Registers(Strict):
    """Location and encoding of a number in a Modbus device."""

    address: int = Field(ge=0, le=65_535)
    """As sent on the wire, from 0; a manual that counts from 40001 or 30001 means this plus one."""
    type: RegisterType = "float32"
    word_order: WordOrder = "ABCD"
    """Of a number of two registers: A is the byte of the highest value."""
    scale: float = 1.0
    offset: float = 0.0
    """number = scale x register + offset, in the key `unit`."""


class ModbusSetup(Registers):
    """`[gauge.modbus]`: the device, and the registers of the pressure."""

    unit_address: int = Field(default=1, ge=1, le=247)
    registers: Literal["holding", "input"] = "holding"


class SentenceField(Strict):
    """Location of a number among the sentences of an NMEA 0183 talker."""

    sentence: str = Field(pattern=r"^[A-Z0-9]{3}([A-Z0-9]{2})?$", examples=['"XDR"'])
    """Three letters for any talker, five for one."""
    field: int | None = Field(default=None, ge=1, le=80)
    """Counted from 1 after the sentence's name."""
    transducer: str | None = Field(default=None, pattern=r"^[!-~]{1,32}$", examples=['"OILP"'])
    """Of an XDR sentence: the transducer's name, instead of `field`."""


class GaugeChannel(Strict):
    """`[[gauge.channels]]`: a further channel of the same gauge."""

    channel: OtherName
    unit: str | None = Field(default=None, min_length=1, examples=['"degC"'])
    """Needed, except where an NMEA transducer states its own."""
    lowest: float | None = None
    highest: float | None = None
    """The sensor's range, in `unit`; a reading outside is rejected."""
    modbus: Registers | None = None
    nmea: SentenceField | None = None


class GaugeSetup(Strict):
    """A pressure gauge on a serial port."""

    port: str = Field(min_length=1, examples=['"/dev/ttyUSB0"'])
    form: Form = "stream"
    pattern: str | None = Field(default=None, min_length=1, examples=['"{pressure} {unit}"'])
    """How a line is laid out; forms stream and query."""
    unit: PressureUnit | None = None
    """Unit of the readings if the gauge does not send one."""
    decimal: Literal["point", "comma"] = "point"
    thousands: Literal["none", "comma", "point", "space", "apostrophe"] = "none"
    ask: str | None = Field(default=None, min_length=1, examples=['"MEAS:PRES?\\\\n"'])
    """Form query: the text sent for each reading, with its line end."""
    reply_within_s: TimeS = Field(alias="reply_within", default=0.3, gt=0, le=10)
    """Forms query and modbus: a reply incomplete by then has failed."""
    modbus: ModbusSetup | None = None
    nmea: SentenceField | None = None
    channels: Annotated[tuple[GaugeChannel, ...], ListAsTuple] = ()
    baud: int = Field(default=9600, ge=110, le=4_000_000)
    bytesize: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stopbits: Literal[1, 2] = 1
    dtr: Literal["on", "off"] | None = None
    rts: Literal["on", "off"] | None = None
    """Control lines after opening; left unchanged if not given."""
    settle_s: TimeS = Field(alias="settle", default=0.0, ge=0, le=30)
    """After opening, input is discarded and nothing is sent for this long."""
    echo: bool = False
    """A half-duplex adapter that echoes what was sent before the reply."""
    period_s: TimeS = Field(alias="period", gt=0)
    """Time between readings: as the gauge sends them, or as it is polled."""
    measuring_range_kpa: PressureRangeKpa = Field(alias="measuring_range")
    """The gauge's range; a reading outside it is rejected."""
    expected_range_kpa: PressureRangeKpa = Field(alias="expected_range")
    """What a healthy run should show; the over-pressure limit must lie above it."""
    accuracy_kpa: PressureKpa | None = Field(alias="accuracy", default=None, ge=0)
    stated_latency_s: TimeS | None = Field(alias="latency", default=None, ge=0)
    """Age of a reading when its first byte is sent, as the maker states it."""

    @model_validator(mode="before")
    @classmethod
    def _of_an_older_plan(cls, data: object, info: ValidationInfo) -> object:
        """State files outlive updates: in one, 0 may mean a latency that nobody stated."""
        if is_resolved(info) and isinstance(data, dict) and "latency_s" in data:
            rest = {key: value for key, value in data.items() if key != "latency_s"}
            return rest | {"stated_latency_s": data["latency_s"] or None}
        return data

    @property
    def latency_s(self) -> float:
        """The stated latency; 0 if none is stated, which the uncertainty of a reading's age then
        allows for (rig.analysis.measure.instrument_uncertainty)."""
        return self.stated_latency_s or 0.0

    @property
    def name(self) -> str:
        """As named in rig.config.analog.pressure.PressureSource."""
        return "gauge"

    @property
    def asked(self) -> bool:
        """Whether the gauge answers only when asked."""
        return self.form in ("query", "modbus")

    @property
    def byte_s(self) -> float:
        """Time of one byte on the wire: start bit, data bits, parity bit if any, stop bits
        (asynchronous serial framing)."""
        return (1 + self.bytesize + (self.parity != "none") + self.stopbits) / self.baud
