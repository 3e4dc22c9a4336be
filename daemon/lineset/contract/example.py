"""One example of each model that crosses an edge, for the generated documents and their check.

All of it is invented: station, visit, instruments and values belong to nobody.
"""

from __future__ import annotations

import msgspec

from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.contract import live as m
from lineset.contract.worklist_example import GUIDANCE
from lineset_drivers.frame import Sample

_T = 1_796_000_000.0
_NS = 1_796_000_000_000_000_000

_SUPERHEAT = m.ValueMessage(
    t=_T, name="total_superheat", v=6.4, u="K", sd=0.6, settled=True, text="11.5 +/- 2.1 degF total superheat"
)
_PRESSURE = m.ValueMessage(
    t=_T,
    name="vapor_service_pressure",
    v=813_600.0,
    u="Pa",
    sd=3400.0,
    text="118.0 psig",
    instrument="gauge-1",
    channel="low",
)
_RUN_EVIDENCE = {"compressor_common_current": "11.8 A: running", "discharge_pressure": "rising: running"}

EXAMPLES: dict[type[msgspec.Struct], msgspec.Struct] = {
    type(example): example
    for example in (
        *GUIDANCE,
        # live messages
        m.StationMessage(t=_T, online=True, version="0.1.0", station="van-3"),
        m.InstrumentMessage(
            t=_T,
            instrument="gauge-1",
            state="linked",
            reason="answers every poll",
            profile="refrigerant-pressure-2ch",
            link="tcp 127.0.0.1:5020 unit 1",
            identity="2a03:0043:A1",
            battery=0.82,
            channels={"low": "pressure_gauge", "high": "pressure_gauge"},
            placement={"low": "heat-pump/vapor_service_pressure"},
        ),
        m.VisitMessage(
            t=_T,
            visit="spring-12",
            state="open",
            phase="before",
            systems={"heat-pump": {"refrigerant": "R-454B", "metering_device": "txv"}},
            run={"heat-pump": "running"},
            settled={"before": 9},
        ),
        _PRESSURE,
        m.NowMessage(
            t=_T,
            system="heat-pump",
            phase="before",
            run="running",
            run_s=912.0,
            mode="cool",
            readings={"vapor_service_pressure": _PRESSURE},
            derived={"total_superheat": _SUPERHEAT},
        ),
        m.SettledMessage(
            t=_T,
            seq=4711,
            system="heat-pump",
            phase="before",
            name="total_superheat",
            settled=True,
            title="total superheat",
            v=6.4,
            u="K",
            sd=0.6,
            interval95=(5.2, 7.6),
            text="11.5 +/- 2.1 degF",
            origin="derived",
            run="running",
            run_s=912.0,
            window_s=60.0,
            samples=58,
            inputs={"vapor_service_pressure": 813_600.0, "vapor_line_temperature": 11.1},
        ),
        m.CheckMessage(
            t=_T,
            seq=530,
            system="heat-pump",
            phase="before",
            name="subcooling",
            title="subcooling against the nameplate",
            state="pass",
            reason="within its limits. 9.6 +/- 1.9 degF against 10.0 degF",
            finding="within",
            v=5.33,
            u="K",
            sd=0.54,
            text="9.6 +/- 1.9 degF",
            target=5.56,
            target_sd=0.0,
            target_text="10.0 degF",
            low=3.89,
            high=7.22,
            probability=0.99,
            rule="simple_acceptance",
            source="Reference Residential Appendices RA3.2 p. RA3-15, 2008, seen; the unit's nameplate",
            basis="nameplate and seen",
            assumed=("all panels and covers of the outdoor and indoor unit are in place",),
        ),
        m.FindingMessage(
            t=_T,
            seq=541,
            system="heat-pump",
            phase="before",
            id="low_indoor_airflow",
            title="Too little indoor air",
            state="open",
            category="air",
            rank=1,
            confidence="clear",
            share=0.97,
            evidence=(
                "temperature split 26.1 degF is 6.9 degF above the expected 19.2 degF (band +/- 4.6 degF)",
                "filter pressure drop 0.410 inWC is 0.280 inWC above the expected 0.130 inWC (band +/- 0.170 inWC)",
            ),
            meaning="the indoor coil gets too little air: filter, coil, blower, closed registers or ducts",
            caution="Advice only: it never replaces the maker's procedure, local code or a licensed person.",
            next_step="look at the filter, then the coil's face, the blower's wheel and tap, registers and ducts",
            basis="against published targets, the nameplate and what the trade takes as usual",
        ),
        m.RunMessage(t=_T, seq=512, system="heat-pump", state="running", mode="cool", evidence=_RUN_EVIDENCE),
        m.EventMessage(
            t=_T,
            seq=77,
            event="placed",
            body={"instrument": "clamp-1", "channel": "current", "system": "heat-pump", "point": "power"},
        ),
        # commands
        c.Request(request="k3f9-1", expires=_T + 10, args={"text": "coil is wet"}, actor="apprentice"),
        c.Reply(request="k3f9-1", verb="note", ok=True, text="noted", data={"seq": 78}),
        c.Place(instrument="clamp-1", point="heat_strip_current.2", channel="current", system="heat-pump"),
        c.Enter(point="vapor_service_pressure", value="118 +/- 2 psig", resolution="1 psi"),
        c.Phase(phase="before"),
        c.Declare(fact="panels_on", system="heat-pump"),
        c.Note(text="coil is wet"),
        c.VisitOpen(visit="spring-12", systems=[{"id": "heat-pump", "refrigerant": "R-454B"}]),
        c.VisitClose(force=True, reason="the customer has to leave"),
        c.VisitShow(),
        # entries that go into the engine
        e.Opened(
            station="van-3",
            visit="spring-12",
            wall_ns=_NS,
            version="0.1.0",
            fingerprint="9f2c41",
            systems=(e.SystemRecord(id="heat-pump", refrigerant="R-454B", metering_device="txv"),),
            curves={"R-454B": "5d1e"},
        ),
        e.Recalled(
            system="heat-pump",
            visit="autumn-3",
            date="2026-09-14",
            journal="6b0c",
            head="a41f",
            phase="after",
            sound=True,
            reason="judged sound: nothing spoke for a fault and no check failed",
            values={"outdoor_air_temperature": (29.3, 0.31), "vapor_service_pressure": (811_200.0, 3400.0)},
        ),
        e.Introduced(
            instrument="gauge-1",
            profile="refrigerant-pressure-2ch",
            profile_sha256="77ab",
            channels=(
                e.ChannelRecord(
                    name="low",
                    quantity="pressure_gauge",
                    unit="psig",
                    reading_pct=0.5,
                    resolution=0.1,
                    calibration=e.Calibration(gain=1.001, offset=-120.0, u=900.0, due="2027-03-01", source="cert 8812"),
                ),
            ),
        ),
        e.Framed(
            instrument="gauge-1", raw=b"\x01\x03\x02\x04\x9c\xba\xdd", samples=(Sample("low", 118.0, "psig", ""),)
        ),
        e.Entered(
            instrument="by-eye",
            system="heat-pump",
            point="vapor_service_pressure",
            value=813_600.0,
            half_width=13_800.0,
            text="118 +/- 2 psig",
            by="apprentice",
        ),
        e.Placed(instrument="clamp-1", channel="current", system="heat-pump", point="outdoor_fan_current"),
        e.Phased(
            phase="before",
            by="apprentice",
            reason="the thermometers were compared this morning",
            missing=("hold the thermometers together, then say thermometers_together",),
        ),
        e.Declared(system="heat-pump", fact="panels_on", by="apprentice"),
        e.InstrumentChanged(
            instrument="gauge-1", state="stale", reason="no answer for 10 s: is it switched on?", battery=0.1
        ),
        e.Tick(),
        e.WallClock(wall_ns=_NS, step_ns=1_500_000_000),
        e.Resumed(gap_ns=42_000_000_000, wall_ns=_NS, how="boot_time", version="0.1.0"),
        e.Overrun(instrument="clamp-1", loss="stream_dropped", count=3),
        e.Noted(text="port cap on the liquid valve was loose", by="apprentice"),
        e.Commanded(request="k3f9-1", verb="note", args={"text": "coil is wet"}, actor="apprentice", answer="noted"),
        e.Closed(by="apprentice"),
        # entries that come out of it
        e.Settled(
            system="heat-pump",
            phase="before",
            name="total_superheat",
            value=6.4,
            unit="K",
            u=0.6,
            low=5.2,
            high=7.6,
            window_s=60.0,
            samples=58,
            origin="derived",
            run="running",
            run_s=912.0,
            inputs={"vapor_service_pressure": 813_600.0, "vapor_line_temperature": 11.1},
        ),
        e.Unsettled(system="heat-pump", phase="before", name="total_superheat", reason="it drifts by 0.8 K a minute"),
        e.TooCoarse(
            system="heat-pump",
            name="return_static",
            instrument="manometer-1",
            channel="a",
            reason="one digit is 25 Pa, and the verdict tolerates 5 Pa",
        ),
        e.Checked(
            system="heat-pump",
            phase="before",
            name="strips_off",
            title="heat strips off while cooling",
            state="fail",
            reason="heat strips are energised while cooling: look at the control circuit. 20.10 A",
            finding="high",
            value=20.1,
            unit="A",
            u=0.2,
            high=2.0,
            probability=0.0,
            rule="guard_band",
            source="resistance heat draws its full amps or none, definition",
            basis="definition",
            caution="Line voltage: meter rated for it, probes on before you look.",
            run="running",
            run_s=930.0,
        ),
        e.Finding(
            system="heat-pump",
            phase="before",
            id="low_indoor_airflow",
            title="Too little indoor air",
            state="open",
            category="air",
            rank=1,
            confidence="clear",
            share=0.97,
            evidence=(
                "temperature split 26.1 degF is 6.9 degF above the expected 19.2 degF (band +/- 4.6 degF)",
                "filter pressure drop 0.410 inWC is 0.280 inWC above the expected 0.130 inWC (band +/- 0.170 inWC)",
            ),
            meaning="the indoor coil gets too little air: filter, coil, blower, closed registers or ducts",
            caution="Advice only: it never replaces the maker's procedure, local code or a licensed person.",
            next_step="look at the filter, then the coil's face, the blower's wheel and tap, registers and ducts",
            basis="against published targets, the nameplate and what the trade takes as usual",
            run="running",
            run_s=1_020.0,
        ),
        e.RunChanged(system="heat-pump", state="running", mode="cool", evidence=_RUN_EVIDENCE, previous="starting"),
        e.QualityChanged(
            system="heat-pump",
            name="outdoor_air_temperature",
            quality="frozen",
            reason="the same digits for 120 s",
            instrument="air-1",
            channel="temperature",
        ),
        e.Derived(system="heat-pump", values={"total_superheat": (6.4, 0.6), "subcooling": (5.1, 0.7)}),
    )
}
