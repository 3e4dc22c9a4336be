"""What a simulated system is like: equipment, weather, house, and what is wrong with it. All invented. SI; Cel."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields


@dataclass(frozen=True)
class PlantConfig:
    """A split system of about three tons. Defaults are typical of such units: common practice, no source.

    `charge_fraction` is charge over nominal; dirt is 0 (clean) to 1 (airless); capacitances in microfarads as they
    are (`*_uf`) and as marked (`*_marked_uf`). Non-condensable gas is counted against what the circuit holds at one
    atmosphere when it was never evacuated, as the coefficients of the same name in OpenStudio's fault models do.
    """

    refrigerant: str = "R-410A"
    metering: str = "txv"  # or "orifice"
    capacity_w: float = 10_550.0
    charge_fraction: float = 1.0
    outdoor_coil_dirt: float = 0.0
    indoor_coil_dirt: float = 0.0
    filter_dirt: float = 0.1
    outdoor_fan_loss: float = 0.0  # part of its air that a slow outdoor fan no longer moves
    compressor_wear: float = 0.0  # part of the displacement that leaks back
    liquid_line_restriction: float = 0.0  # part of the liquid line that is blocked
    non_condensables: float = 0.0
    outdoor_coil_size: float = 1.0  # conductance and air of the clean outdoor coil against the plant's usual one
    indoor_coil_size: float = 1.0  # conductance of the clean indoor coil against the plant's usual one
    outdoor_air: float = 28.0
    return_air: float = 24.5
    return_humidity: float = 50.0  # %RH
    room: float = 24.5
    elevation_m: float = 190.0
    duct_restriction: float = 1.0  # 1 is a duct system that lets the blower reach its nominal flow
    line_voltage: float = 241.0
    supply_ohms: float = 0.09
    contactor_ohms: float = 0.006
    herm_uf: float = 45.0
    herm_marked_uf: float = 45.0
    fan_uf: float = 5.0
    fan_marked_uf: float = 5.0
    blower_uf: float = 10.0
    blower_marked_uf: float = 10.0
    heat_strips_w: tuple[float, ...] = (4_800.0, 4_800.0)  # each, at 240 V

    def __post_init__(self) -> None:
        if self.metering not in ("txv", "orifice"):
            raise ValueError(f"plant: metering is 'txv' or 'orifice', not {self.metering!r}")
        for name in ("outdoor_coil_dirt", "indoor_coil_dirt", "filter_dirt", "compressor_wear", "outdoor_fan_loss"):
            if not 0.0 <= getattr(self, name) <= 0.9:
                raise ValueError(f"plant: {name} goes from 0 to 0.9, not {getattr(self, name)}")
        if not 0.4 <= self.charge_fraction <= 1.6:
            raise ValueError(f"plant: charge_fraction goes from 0.4 to 1.6, not {self.charge_fraction}")
        if not 0.0 <= self.liquid_line_restriction <= 0.95:
            raise ValueError(f"plant: liquid_line_restriction goes from 0 to 0.95, not {self.liquid_line_restriction}")

        if not 0.0 <= self.non_condensables <= 1.0:
            raise ValueError(f"plant: non_condensables goes from 0 to 1, not {self.non_condensables}")
        for name in ("outdoor_coil_size", "indoor_coil_size"):
            if not 0.6 <= getattr(self, name) <= 1.6:
                raise ValueError(f"plant: {name} goes from 0.6 to 1.6, not {getattr(self, name)}")

    @classmethod
    def from_table(cls, table: Mapping[str, object]) -> PlantConfig:
        """From a scenario's [plant] table. Raises ValueError, naming the key, for one that does not exist."""
        known = {field.name: field for field in fields(cls)}
        values: dict[str, object] = {}
        for key, value in table.items():
            if key not in known:
                raise ValueError(f"plant: unknown key {key!r}; use one of {', '.join(known)}")
            if key == "heat_strips_w":
                if not isinstance(value, list) or not all(isinstance(watts, int | float) for watts in value):
                    raise ValueError(f"plant: heat_strips_w is a list of watts, not {value!r}")
                values[key] = tuple(float(watts) for watts in value)
            elif key in ("refrigerant", "metering"):
                values[key] = str(value)
            elif isinstance(value, bool) or not isinstance(value, int | float):
                raise ValueError(f"plant: {key} is a number, not {value!r}")
            else:
                values[key] = float(value)
        return cls(**values)  # type: ignore[arg-type]
