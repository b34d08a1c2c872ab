# SPDX-License-Identifier: MIT
"""Viscosity index of an oil, ASTM D2270, from its kinematic viscosities at 40 and 100 degC."""

from __future__ import annotations

import math
from typing import NamedTuple

LEAST_MM2_S = 2.0
"""Viscosity at 100 degC below which the index is not defined."""

# From this viscosity at 100 degC up: a, b, c of L = a Y^2 + b Y + c, and d, e, f of H likewise.
# The equations that ASTM D2270 gives beside its table (recalled; within 0.15 % of every row of the
# table that the checks contain).
_ROWS: tuple[tuple[float, float, float, float, float, float, float], ...] = (
    (2.0, 1.14673, 1.7576, -0.109, 0.84155, 1.5521, -0.077),
    (3.8, 3.38095, -15.4952, 33.196, 0.78571, 1.7929, -0.183),
    (4.4, 2.5, -7.2143, 13.812, 0.82143, 1.5679, 0.119),
    (5.0, 0.10100, 16.6350, -45.469, 0.04985, 9.1613, -18.557),
    (6.4, 3.35714, -23.5643, 78.466, 0.22619, 7.7369, -16.656),
    (7.0, 0.01191, 21.4750, -72.870, 0.79762, -0.7321, 14.610),
    (7.7, 0.41858, 16.1558, -56.040, 0.05794, 10.5156, -28.240),
    (9.0, 0.88779, 7.5527, -16.600, 0.26665, 6.7015, -10.810),
    (12.0, 0.76720, 10.7972, -38.180, 0.20073, 8.4658, -22.490),
    (15.0, 0.97305, 5.3135, -2.200, 0.28889, 5.9741, -4.930),
    (18.0, 0.97256, 5.2500, -0.980, 0.24504, 7.4160, -16.730),
    (22.0, 0.91413, 7.4759, -21.820, 0.20323, 9.1267, -34.230),
    (28.0, 0.87031, 9.7157, -50.770, 0.18411, 10.1015, -46.750),
    (40.0, 0.84703, 12.6752, -133.310, 0.17029, 11.4866, -80.620),
    (55.0, 0.85921, 11.1009, -83.190, 0.17130, 11.3680, -76.940),
    (70.0, 0.83531, 14.6731, -216.246, 0.16841, 11.8493, -96.947),
)


class References(NamedTuple):
    """Viscosities at 40 degC, mm^2/s, of the two reference oils with the same viscosity at
    100 degC: `low` (L) of index 0, `high` (H) of index 100."""

    low_mm2_s: float
    high_mm2_s: float


def references(nu_100_mm2_s: float) -> References:
    """L and H for a viscosity at 100 degC. Raises ValueError below 2 mm^2/s."""
    if not LEAST_MM2_S <= nu_100_mm2_s < math.inf:
        raise ValueError(
            f"{nu_100_mm2_s:g} mm^2/s at 100 degC: the viscosity index is defined from 2 mm^2/s"
        )
    row = next(row for row in reversed(_ROWS) if nu_100_mm2_s >= row[0])
    _, a, b, c, d, e, f = row
    y = nu_100_mm2_s
    return References((a * y + b) * y + c, (d * y + e) * y + f)


def viscosity_index(nu_40_mm2_s: float, nu_100_mm2_s: float) -> float:
    """The index, not rounded; the standard prints it as a whole number.

    Up to 100 (procedure A): 100 (L - U) / (L - H). Above (procedure B), where U < H:
    100 + (10^N - 1) / 0.00715 with N = (lg H - lg U) / lg Y. U is the viscosity at 40 degC, Y at
    100 degC, in mm^2/s. Raises ValueError where Y is below 2 mm^2/s or not below U.
    """
    low, high = references(nu_100_mm2_s)
    if not nu_100_mm2_s < nu_40_mm2_s < math.inf:
        raise ValueError(
            f"{nu_40_mm2_s:g} mm^2/s at 40 degC is not above {nu_100_mm2_s:g} at 100 degC"
        )
    if nu_40_mm2_s >= high:
        return 100.0 * (low - nu_40_mm2_s) / (low - high)
    n = (math.log10(high) - math.log10(nu_40_mm2_s)) / math.log10(nu_100_mm2_s)
    return 100.0 + (math.pow(10.0, n) - 1.0) / 0.00715
