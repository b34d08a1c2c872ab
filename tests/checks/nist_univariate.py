# SPDX-License-Identifier: MIT
"""NIST Statistical Reference Datasets, univariate summary statistics (US Government work; NIST asks
to be acknowledged): data and certified mean, standard deviation (n - 1) and lag-1 correlation."""

from __future__ import annotations

from typing import NamedTuple

LEW = """-213 -564 -35 -15 141 115 -420 -360 203 -338 -431 194 -220 -513 154 -125 -559 92 -21 -579
-52 99 -543 -175 162 -457 -346 204 -300 -474 164 -107 -572 -8 83 -541 -224 180 -420 -374
201 -236 -531 83 27 -564 -112 131 -507 -254 199 -311 -495 143 -46 -579 -90 136 -472 -338
202 -287 -477 169 -124 -568 17 48 -568 -135 162 -430 -422 172 -74 -577 -13 92 -534 -243
194 -355 -465 156 -81 -578 -64 139 -449 -384 193 -198 -538 110 -44 -577 -6 66 -552 -164
161 -460 -344 205 -281 -504 134 -28 -576 -118 156 -437 -381 200 -220 -540 83 11 -568 -160
172 -414 -408 188 -125 -572 -32 139 -492 -321 205 -262 -504 142 -83 -574 0 48 -571 -106
137 -501 -266 190 -391 -406 194 -186 -553 83 -13 -577 -49 103 -515 -280 201 300 -506 131
-45 -578 -80 138 -462 -361 201 -211 -554 32 74 -533 -235 187 -372 -442 182 -147 -566 25 68
-535 -244 194 -351 -463 174 -125 -570 15 72 -550 -190 172 -424 -385 198 -218 -536 96"""

MAVRO_STEPS = """180 170 180 190 180 170 150 140 150 150 170 180 180 190 190 210 200 160 140 130 130
150 150 160 150 140 130 140 150 140 150 160 150 160 190 200 200 210 220 230 240 250 270 260 260 260
270 260 250 240"""


class Certified(NamedTuple):
    """A set with its certified values and the relative tolerance on the standard deviation that
    double precision allows (the input itself cannot be held exactly in the ill-conditioned ones).
    """

    name: str
    values: list[float]
    mean: float
    sd: float
    lag1: float
    tolerance: float


def _pattern(first: float, low: float, high: float) -> list[float]:
    return [first] + [low, high] * 500


MAVRO = [round(2 + 1e-5 * int(step), 5) for step in MAVRO_STEPS.split()]

SETS = (
    Certified("Lew", [float(x) for x in LEW.split()], -177.435, 277.332168044316,
              -0.307304800605679, 1e-12),
    Certified("Mavro", MAVRO, 2.001856, 0.000429123454003053, 0.937989183438248, 1e-11),
    Certified("NumAcc1", [10000001.0, 10000003.0, 10000002.0], 10000002, 1, -0.5, 1e-14),
    Certified("NumAcc2", _pattern(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 1e-12),
    Certified("NumAcc3", _pattern(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, 1e-9),
    Certified("NumAcc4", _pattern(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, -0.999,
              1e-8),
)  # fmt: skip
