"""Quality of a reading: whether it may be used at all, and the words for why not."""

from __future__ import annotations

from enum import StrEnum

import msgspec

from lineset_drivers.frame import Flag
from lineset_drivers.quantity import Quantity


class Quality(StrEnum):
    """What a reading is worth. Only `good` and `entered` readings settle or enter derived values."""

    GOOD = "good"
    STALE = "stale"
    OVER_RANGE = "over_range"
    INVALID = "invalid"
    FROZEN = "frozen"
    IMPLAUSIBLE_RATE = "implausible_rate"
    OUT_OF_CALIBRATION = "out_of_calibration"
    NOT_IN_CONTACT = "not_in_contact"
    ENTERED = "entered"


# Out of calibration is told, not refused: the number is used and the record says so (its verdicts come later).
USABLE = frozenset({Quality.GOOD, Quality.ENTERED, Quality.OUT_OF_CALIBRATION})

REASON: dict[Quality, str] = {
    Quality.GOOD: "readings are good",
    Quality.STALE: "nothing new for longer than this instrument's profile allows",
    Quality.OVER_RANGE: "the value is beyond the instrument's range, or beyond what can be",
    Quality.INVALID: (
        "the instrument gives no valid value, or in another unit than its profile says; check the probe, its plug and "
        "the unit that is set"
    ),
    Quality.FROZEN: "the last digits have not moved for minutes: is the display on hold, or the probe dead?",
    Quality.IMPLAUSIBLE_RATE: "it jumped faster than this quantity can change: loose plug or interference",
    Quality.OUT_OF_CALIBRATION: "the calibration is past its due date",
    Quality.NOT_IN_CONTACT: (
        "it reads zero while the system runs: jaw open, probe off the wire, or around both conductors; "
        "look when your hand is out of the panel"
    ),
    Quality.ENTERED: "entered by a person",
}

FLAG_QUALITY: dict[str, Quality] = {
    Flag.OVER_RANGE: Quality.OVER_RANGE,
    Flag.UNDER_RANGE: Quality.OVER_RANGE,
    Flag.INVALID: Quality.INVALID,
    Flag.NOT_KNOWN: Quality.INVALID,
    Flag.HELD: Quality.FROZEN,
}

# Fastest change, SI unit per second, that the quantity itself can make where a probe sits; a probe moved from pipe to
# pipe may do more, so only the sample that jumps is held back, and the next one that agrees with it is taken.
# Electrical quantities switch at once and have no limit. Judgement; common practice, no source.
FASTEST: dict[Quantity, float] = {
    Quantity.TEMPERATURE: 25.0,
    Quantity.PRESSURE_GAUGE: 2.0e6,
    Quantity.PRESSURE_ABSOLUTE: 2.0e6,
    Quantity.RELATIVE_HUMIDITY: 40.0,
}

# At rest these stand at zero to the last digit, for as long as the system is off or the gauge is open to the air:
# exactly zero is never taken for a frozen display.
STANDS_AT_ZERO = frozenset(
    {
        Quantity.PRESSURE_GAUGE,
        Quantity.PRESSURE_DIFFERENCE,
        Quantity.CURRENT,
        Quantity.VOLTAGE,
        Quantity.FREQUENCY,
        Quantity.POWER,
        Quantity.APPARENT_POWER,
        Quantity.AIR_SPEED,
        Quantity.VOLUME_FLOW,
    }
)

# Why a value is called frozen sooner: it was alive.
STOPPED = (
    "its last digit went to and fro and has stood still for half a minute: is the display on hold, the plug out, or a "
    "valve shut before it?"
)
STOPPED_AFTER_S = 30.0
STOPPED_SAMPLES = 12
# A last digit is alive while some two of five moves turn back; a value on its way moves one way. A move so many times
# the one before it leads to another level, which may well be a calm one.
_ALIVE = 0.4
_LEAP = 12.0
_KEPT = 0.9

FROZEN_AFTER_S = 300.0
FROZEN_SAMPLES = 60


class Watch(msgspec.Struct):
    """What must be remembered of one channel to judge its next sample. Part of the engine's state."""

    last: float | None = None  # last value that was taken, SI
    last_t: int = 0
    held: float | None = None  # a jump that waits for a second sample to agree with it
    same_since: int = 0
    same_count: int = 0
    move: float = 0.0  # its last one, SI
    to_and_fro: float = 0.0  # share of its moves, of late, that turned back
    stood: bool = False  # it was alive and stands still: frozen until it moves

    def judge(self, t: int, value: float, fastest: float | None, fine: bool) -> Quality:
        """Quality of a good sample of `value` at `t` ns.

        `fine`: the resolution is small against the quantity's band, so that a live probe's last digit moves; and the
        value is not the zero of a quantity that stands at zero.
        """
        last = self.last
        if last is not None:
            if value == last:
                self.same_count += 1
                if self.stood:
                    self.last_t = t
                    return Quality.FROZEN
                if fine and self.same_count >= FROZEN_SAMPLES and t - self.same_since >= FROZEN_AFTER_S * 1e9:
                    self.last_t = t
                    return Quality.FROZEN
                self.last_t = t
                self.held = None
                return Quality.GOOD
            if fastest is not None and t > self.last_t:
                allowed = fastest * max((t - self.last_t) * 1e-9, 0.1)
                # a second sample that agrees with the jump means that the probe was moved
                if abs(value - last) > allowed and (self.held is None or abs(value - self.held) > allowed):
                    self.held = value
                    return Quality.IMPLAUSIBLE_RATE
            move, before = value - last, self.move
            self.move = move
            self.to_and_fro *= _KEPT
            if move * before < 0.0:
                self.to_and_fro += 1.0 - _KEPT
            if abs(move) > _LEAP * abs(before):
                self.to_and_fro = 0.0
        self.last = value
        self.last_t = t
        self.held = None
        self.same_since = t
        self.same_count = 1
        self.stood = False
        return Quality.GOOD

    def stopped(self, t: int) -> bool:
        """Whether the last digit was alive and has stood still since, at `t` ns: frozen from now on, until it moves."""
        self.stood = (
            self.same_count >= STOPPED_SAMPLES
            and t - self.same_since >= STOPPED_AFTER_S * 1e9
            and self.to_and_fro > _ALIVE
        )
        return self.stood
