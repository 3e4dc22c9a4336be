"""What the record keeps of a channel: accuracy, calibration, and the effects of the place where a probe sits."""

from __future__ import annotations

import msgspec


class Calibration(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Correction of one channel: SI value = reading x gain + offset, from a certificate or a comparison.

    The standard uncertainty of the correction is `u` for the offset and `u_gain` for the gain, this channel's own, and
    `reference_u` for the reference standard: whatever was corrected against the same `reference` is off together.
    """

    gain: float = 1.0
    offset: float = 0.0  # in the SI unit of the channel's quantity (K for temperatures)
    u: float = 0.0  # SI
    u_gain: float = 0.0  # of the gain, as a share of the reading
    reference: str = ""  # which reference standard it was corrected against
    reference_u: float = 0.0  # SI
    date: str = ""  # ISO date of the certificate or comparison
    due: str = ""  # ISO date after which the channel is out of calibration
    source: str = ""  # certificate number, or how it was compared


class InstallationTerm(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One effect of a probe's place on its reading, as limits of error: half_width + share x what drives it.

    `of` says what drives it: "reading", or the point whose difference to the reading counts; `usual` is taken for
    that difference while it is not measured.
    """

    name: str
    half_width: float = 0.0  # SI
    share: float = 0.0
    of: str = ""
    usual: float = 0.0  # K
    reason: str = ""
    source: str = ""


class ChannelRecord(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What the engine knows of a channel: from its profile and its calibration. Accuracy and resolution in `unit`."""

    name: str
    quantity: str
    unit: str
    reading_pct: float = 0.0
    absolute: float = 0.0
    counts: float = 0.0
    shared: float = 0.0  # correlation between the errors of two channels of this instrument, 0 .. 1
    resolution: float = 0.0
    low: float | None = None
    high: float | None = None
    response_s: float = 0.0
    captures: str = ""  # "inrush": the extreme caught while a motor started, not the reading of the moment
    calibration: Calibration = Calibration()
