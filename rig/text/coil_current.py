# SPDX-License-Identifier: MIT
"""What the coil current showed, and the gauge calibration, in sentences and fields."""

from __future__ import annotations

from collections.abc import Iterator

from rig.core.results.coil import PartFigures, Signature
from rig.core.results.run import Result
from rig.core.rounding import fixed, pair, places, signed

PARTS = (("electrical_ms", "electrical"), ("mechanical_ms", "mechanical"),
         ("hydraulic_ms", "hydraulic"))  # fmt: skip


def current_sentences(result: Result) -> list[str]:
    """The coil current in plain words; empty where it was not recorded."""
    seen = result["signature"]
    if not seen:
        return []
    of = seen["strokes_looked_at"]
    said = [f"{seen['rate_hz']:.0f} samples a second."]
    told = [f"the plunger moved in {seen['moved']} of {of} strokes"]
    if seen["no_movement_seen"]:
        told.append(f"was not seen to move in {seen['no_movement_seen']}")
    if seen["not_decided"]:
        told.append(f"cannot be told in {seen['not_decided']} ({_why(seen)})")
    said.append(f"By the current {', '.join(told)}.")
    said += _split(seen)
    back = seen["parts"]["back_leaves_ms"]
    if back["mean"] is not None:
        said.append(
            f"On the way back it leaves {_about(back)} after the coil goes "
            f"dead (seen in {back['n']} strokes)."
        )
    coil = seen["coil"]
    if coil["found"]:
        said.append(f"{coil['found'][0].upper()}{coil['found'][1:]}.")
    if coil["resistance_ohm"] is not None:
        ohm, u_ohm = pair(coil["resistance_ohm"], coil["resistance_u95_ohm"], 2)
        said.append(
            f"Coil and wires: {ohm} ohm, plus or minus {u_ohm} (95 %); if the setup's "
            f"resistance holds, the winding is at {coil['temperature_degc']:.0f} degC."
        )
    tau = seen["tau1_ms"]["mean"]
    if tau is not None:
        said.append(f"Time constant before the plunger moves: {tau:.2f} ms.")
    if coil["next_check"]:
        said.append(f"Look at: {coil['next_check']}.")
    return said


def _why(seen: Signature) -> str:
    return "; ".join(seen["why_not_decided"])


def _split(seen: Signature) -> Iterator[str]:
    """The response in parts; parts that cannot be told apart are shown together."""
    together = seen["together"]
    joined = together["parts"] if together else []
    pieces = []
    for key, name in PARTS:
        part = seen["parts"][key]
        if name in joined:
            if name == joined[0] and together:
                pieces.append(f"{' and '.join(joined)} together {_about(together)}")
        elif part["mean"] is not None:
            pieces.append(f"{name} {_about(part)}")
    whole = joined == [name for _, name in PARTS]
    if whole:
        yield "The current does not show the response in parts: they are too unsure."
    elif len(pieces) > 1:
        yield f"Response in parts, mean (one stroke's U, 95 %): {', '.join(pieces)}."
    landed = seen["parts"]["seated_ms"]
    if landed["mean"] is not None and not whole:
        yield f"The plunger lands {_about(landed)} after the coil goes live."


def _about(part: PartFigures) -> str:
    """A mean with the uncertainty of one stroke's value, in ms."""
    value, u = pair(part["mean"] or 0.0, part["u95_single"], 2)
    return f"{value} ms" if u is None else f"{value} ({u}) ms"


def calibration_facts(result: Result) -> Iterator[tuple[str, str]]:
    """The gauge calibration as names and texts; empty where the setup has none."""
    made = result["calibration"]
    if not made:
        return
    out = made["state"] == "out of date"
    state = "OUT OF DATE, " if out else ""
    dates = f"calibrated {made['date']}, due {made['due']}"
    yield "gauge", f"{state}{dates}, against {made['reference']}"
    ends = [end for end in (made["correction_at_lowest"], made["correction_at_highest"]) if end]
    if len(ends) == 2:
        words = [
            f"{signed(end['correction_kpa'], places(end['u95_kpa'], 2))} kPa at a reading of "
            f"{fixed(end['reading_kpa'], places(end['u95_kpa'], 2))} kPa"
            for end in ends
        ]
        yield "corrected by", ", ".join(words)
    zero = made["zero"]
    if zero:
        held = "as it should" if zero["held"] else "DRIFTED"
        yield (
            "zero",
            (
                f"{held}: {zero['reading_kpa']:.3g} kPa with no pressure, {zero['drift_kpa']:+.3g} "
                f"kPa from the calibration's (allowed {zero['tolerance_kpa']:.3g} kPa)"
            ),
        )
    for remark in made["remarks"]:
        yield "GAUGE", remark


def timing_facts(result: Result) -> Iterator[tuple[str, str]]:
    """The rig's own times as names and texts; empty for a capture."""
    own = result["timing"]
    if not own:
        return
    if own["date"] is None:
        yield "rig's own times", str(own["state"])
        return
    state = "OUT OF DATE, " if own["state"] == "out of date" else ""
    ways = []
    for name, one in (("response", own["response"]), ("release", own["release"])):
        mean, u = pair(one["mean_ms"], one["sd_ms"], 3) if one else ("-", None)
        ways.append(f"{name} {mean} ms" + ("" if u is None else f" (sd {u})"))
    yield (
        "rig's own times",
        f"{state}measured {own['date']}, due {own['due']}: {', '.join(ways)}; subtracted in the "
        "intervals and the verdict",
    )
    for remark in own["remarks"]:
        yield "RIG'S TIMES", remark


def plain_fields(result: Result) -> Iterator[tuple[str, object]]:
    """Both for a program: names and values."""
    seen, made, own = result["signature"], result["calibration"], result["timing"]
    if own:
        yield "timing.state", own["state"]
        yield "timing.date", own["date"]
        yield "timing.due", own["due"]
    if seen:
        yield "current.rate_hz", seen["rate_hz"]
        yield "current.moved", seen["moved"]
        yield "current.no_movement_seen", seen["no_movement_seen"]
        yield "current.not_decided", seen["not_decided"]
        for name, part in seen["parts"].items():
            yield f"current.{name}", part["mean"]
        together = seen["together"]
        if together:
            yield f"current.{'_and_'.join(together['parts'])}_ms", together["mean"]
        for name, value in seen["coil"].items():
            if not isinstance(value, list):
                yield f"coil.{name}", value
    if made:
        yield "calibration.date", made["date"]
        yield "calibration.due", made["due"]
        yield "calibration.state", made["state"]
        yield "calibration.reference", made["reference"]
        if made["zero"]:
            for name, value in made["zero"].items():
                yield f"calibration.zero.{name}", value
        for remark in made["remarks"]:
            yield "calibration.remark", remark
