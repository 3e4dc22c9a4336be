"""A compressor's published map: ten coefficients each for power, refrigerant mass flow and current.

X = C1 + C2 S + C3 D + C4 S^2 + C5 S D + C6 D^2 + C7 S^3 + C8 D S^2 + C9 S D^2 + C10 D^3, with S and D the suction and
discharge saturation temperatures at the dew point (ANSI/AHRI Standard 540, equation of the compressor performance;
its order of coefficients from memory, and as public simulation codes that name the standard have it). A map holds at
the superheat and subcooling of its own rating; a field compressor may differ from it by 5 % or more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from lineset.physics.errors import OutOfRange
from lineset.physics.gradient import Gradient

COEFFICIENTS = 10
# Where air-conditioning compressors are rated, widened by 10 K; a cubic goes anywhere beyond (judgement).
LOWEST_SUCTION_CEL, HIGHEST_SUCTION_CEL = -35.0, 30.0
LOWEST_DISCHARGE_CEL, HIGHEST_DISCHARGE_CEL = 10.0, 80.0


def map_value(
    coefficients: Sequence[float], suction: Gradient, discharge: Gradient, *, fahrenheit: bool = True
) -> Gradient:
    """The map's value in the map's own unit at suction and discharge dew temperatures [Cel].

    `fahrenheit` says that the coefficients take degF. Raises OutOfRange outside the rated temperatures, where the
    discharge is not above the suction, or where the map gives no positive value.
    """
    if len(coefficients) != COEFFICIENTS:
        raise ValueError(f"a compressor map has {COEFFICIENTS} coefficients, not {len(coefficients)}")
    for what, value, low, high in (
        ("compressor map, suction dew temperature", suction.value, LOWEST_SUCTION_CEL, HIGHEST_SUCTION_CEL),
        ("compressor map, discharge dew temperature", discharge.value, LOWEST_DISCHARGE_CEL, HIGHEST_DISCHARGE_CEL),
    ):
        if not low <= value <= high:
            raise OutOfRange(
                what, value=value, low=low, high=high, unit="Cel",
                remedy="Check the pressure, its port and the refrigerant; a map is not extended beyond its ratings.",
            )  # fmt: skip
    if not discharge.value > suction.value:
        raise OutOfRange(
            "compressor map", value=discharge.value, low=suction.value, high=math.inf, unit="Cel",
            remedy="The discharge must be above the suction: the compressor is not running, or the ports are swapped.",
        )  # fmt: skip
    s = suction * 1.8 + 32.0 if fahrenheit else suction
    d = discharge * 1.8 + 32.0 if fahrenheit else discharge
    c1, c2, c3, c4, c5, c6, c7, c8, c9, c10 = coefficients
    s2, d2 = s * s, d * d
    found = c1 + c2 * s + c3 * d + c4 * s2 + c5 * (s * d) + c6 * d2 + c7 * (s2 * s) + c8 * (d * s2)
    found = found + c9 * (s * d2) + c10 * (d2 * d)
    if not 0.0 < found.value < math.inf:
        raise OutOfRange(
            "compressor map", value=found.value, low=0.0, high=math.inf, unit="of the map",
            remedy="Check the coefficients, their order and their temperature unit against the maker's sheet.",
        )  # fmt: skip
    return found
