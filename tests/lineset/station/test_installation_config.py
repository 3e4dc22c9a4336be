"""Installation effects and certificates in a configuration: replaced one by one, problems named."""

from __future__ import annotations

import pytest
from station_rig import instrument

from lineset.contract.entry import Calibration
from lineset.measure.installation import INSTALLATION
from lineset.station.config import ConfigError, read
from lineset.station.introduce import introduced

GAUGES = instrument("gauges", "pressure-transducer-2ch", "serial:///dev/ttyUSB0", "low vapor_service_pressure")


def test_one_effect_is_replaced_and_the_others_of_its_point_stay() -> None:
    config = read(
        """
[installation.vapor_line_temperature.contact]
half_width = 0.1
share = 0.01
reason = "insulated clamp, compared side by side"

[installation.line_voltage."long leads"]
half_width = 0.5
reason = "thirty metres of test lead"
"""
    )
    contact, sun = config.installation["vapor_line_temperature"]
    assert (contact.name, contact.half_width, contact.share, contact.usual) == ("contact", 0.1, 0.01, 20.0)
    assert contact.reason == "insulated clamp, compared side by side"
    assert contact.source == "the station's configuration"
    assert sun == INSTALLATION["vapor_line_temperature"][1]
    (leads,) = config.installation["line_voltage"]
    assert (leads.name, leads.half_width, leads.share) == ("long leads", 0.5, 0.0)
    assert read("").installation == {}


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ('[installation.vapor_line.contact]\nreason = "x"', "installation.vapor_line", "no point is called"),
        ("[installation.vapor_line_temperature.contact]\nhalf_width = 0.1",
         "installation.vapor_line_temperature.contact.reason", "missing"),
        ('[installation.vapor_line_temperature.contact]\nhalf_width = -1\nreason = "x"',
         "installation.vapor_line_temperature.contact.half_width", "less than 0"),
        ('[installation.vapor_line_temperature.contact]\nwidth = 1\nreason = "x"',
         "installation.vapor_line_temperature.contact.width", "not known"),
        ('[installation.line_voltage.leads]\nshare = 0.1\nreason = "x"',
         "installation.line_voltage.leads.share", "grows with nothing"),
    ],
)  # fmt: skip
def test_problems_name_key_and_remedy(text: str, key: str, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        read(text, "station.toml")
    (problem,) = caught.value.problems
    assert problem.key == key
    assert words in problem.problem
    assert problem.remedy


def test_a_certificate_has_its_date_its_reference_and_the_uncertainties_of_gain_and_offset() -> None:
    config = read(
        GAUGES.replace(
            "[[placement]]",
            'calibration.low = { gain = 1.01, offset = -500.0, u = 300.0, u_gain = 0.001, reference = "dead weight 3", '
            'reference_u = 100.0, date = "2026-03-01", due = "2027-03-01", source = "invented" }\n[[placement]]',
            1,
        )
    )
    (item,) = config.instruments
    low = next(channel for channel in introduced(item).channels if channel.name == "low")
    assert low.calibration == Calibration(
        gain=1.01, offset=-500.0, u=300.0, u_gain=0.001, reference="dead weight 3", reference_u=100.0,
        date="2026-03-01", due="2027-03-01", source="invented",
    )  # fmt: skip


def test_a_day_that_no_calendar_has_is_refused() -> None:
    text = GAUGES.replace("[[placement]]", 'calibration.low = { due = "2027-02-30" }\n[[placement]]', 1)
    with pytest.raises(ConfigError) as caught:
        read(text)
    (problem,) = caught.value.problems
    assert problem.key == "instrument[0].calibration.low.due"
    assert "no day 2027-02-30" in problem.problem
