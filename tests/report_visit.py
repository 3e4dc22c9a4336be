"""For tests of the report: an invented visit whose record holds everything that a report tells, in a file."""

from __future__ import annotations

import hashlib
import struct
import zlib
from collections.abc import Iterable
from pathlib import Path

from engine_entries import CLAMP, GAUGES, NS, PIPES

from lineset.contract import entry as e
from lineset.equipment.nameplate import Nameplate
from lineset.journal.file import JournalFile
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset_drivers.frame import Sample

WALL_NS = 1_790_000_000 * NS
YEAR_NS = round(365.25 * 86400) * NS
SYSTEM = e.SystemRecord(
    id="upstairs", refrigerant="R-410A", metering_device="txv", title="upstairs", kind="split_ac",
    nameplate=Nameplate(herm_capacitor_f=45e-6, capacitor_tolerance=0.06),
)  # fmt: skip
CAUTION = "Power off and locked out; discharge the capacitor and prove it before you touch a terminal."
FINDING_CAUTION = "Refrigerant under pressure: an invented caution of a finding."


def a_png(grey: int = 128) -> bytes:
    """A picture of 8 by 8 grey dots."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows = b"".join(b"\0" + bytes([grey]) * 8 for _ in range(8))
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 8, 8, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def blob(data: bytes, media_type: str = "image/png") -> e.Blob:
    sha256 = hashlib.sha256(data).hexdigest()
    return e.Blob(sha256=sha256, media_type=media_type, size=len(data), part=0, parts=1, data=data)


def settled(name: str, value: float, unit: str, u: float, phase: str = "before", **more: object) -> e.Settled:
    low, high = value - 1.96 * u, value + 1.96 * u
    usual: dict[str, object] = {"run": "running", "run_s": 1000.0, "window_s": 60.0, "samples": 60}
    return e.Settled(system="upstairs", phase=phase, name=name, value=value, unit=unit, u=u, low=low, high=high,
                     **{**usual, **more})  # type: ignore[arg-type]  # fmt: skip


def checked(name: str, title: str, state: str, phase: str = "before", **more: object) -> e.Checked:
    return e.Checked(system="upstairs", phase=phase, name=name, title=title, state=state,
                     **{"reason": f"the reason of {name} in {phase}", **more})  # type: ignore[arg-type]  # fmt: skip


def split(phase: str, value: float, target: float) -> list[e.AnyBody]:
    budget = {"accuracy supply/temperature": 0.17, "accuracy return/temperature": 0.17,
              "installation supply_air_temperature/air": 0.5, "repeatability temperature_split": 0.03}  # fmt: skip
    return [
        settled("temperature_split", value, "K", 0.56, phase, origin="derived", budget=budget),
        checked("split", "temperature split against target", "pass", phase, value=value, unit="K", u=0.56,
                target=target, target_u=0.05, low=target - 2.0, high=target + 2.0, probability=0.97,
                        rule="simple_acceptance",
                source="an invented table of splits", basis="seen", finding="within"),
    ]  # fmt: skip


def a_full_visit(herm_uf: float = 41.6, *, closed: bool = True) -> list[tuple[float, e.AnyBody]]:
    """(seconds, body): at rest, before, work and after; a correction, findings, photos, a clock step and a gap."""
    photo, second, third = a_png(100), a_png(180), a_png(240)
    rows: list[tuple[float, e.AnyBody]] = [
        (1, e.Introduced(**{**_given(GAUGES), "instrument": "gauges"})),
        (1, PIPES), (1, CLAMP),
        (1, e.InstrumentChanged(instrument="gauges", state="linked", reason="giving samples", identity="SN-4711")),
        (2, e.Placed(instrument="gauges", channel="low", system="upstairs", point="liquid_service_pressure", by="t")),
        (3, e.Compared(how="zero", phase="at_rest", instrument="gauges", channel="low", quantity="pressure_gauge",
                       unit="Pa", offset=1500.0, u=200.0, against="atmosphere")),
        (10, e.Phased(phase="before", by="t")),
        (20, e.Placed(instrument="pipes", channel="t1", system="upstairs", point="vapor_line_temperature", by="t")),
    ]  # fmt: skip
    for n in range(40):
        sample = (Sample("t1", 52.0 + 0.1 * (n % 2), ""),)
        rows.append((21 + n, e.Framed(instrument="pipes", raw=b"", samples=sample)))
    pressure = settled("liquid_service_pressure", 0.8e6, "Pa", 9e3, instrument="gauges", channel="low")
    rows += [
        (62, pressure),
        (63, checked("subcooling", "subcooling against the nameplate", "fail", value=1.0, unit="K", finding="low")),
        (64, e.Placed(instrument="gauges", channel="low", system="upstairs", point="vapor_service_pressure", by="t",
                      supersedes=_SEQ_OF_WRONG_PLACE)),
        (65, checked("subcooling", "subcooling against the nameplate", "undecided", unmet=("invented: wait longer",),
                     would_decide="invented: measure the liquid port")),
        *((66.0, body) for body in split("before", 8.0, 10.5)),
        (67, settled("outdoor_air_temperature", 30.0, "Cel", 0.4)),
        (67, settled("return_wet_bulb", 17.0, "Cel", 0.4)),
        (68, settled("compressor_common_current", 11.0, "A", 0.2)),
        (69, e.Finding(system="upstairs", phase="before", id="outdoor_coil", state="open",
                       title="The outdoor coil rejects its heat badly", category="air", rank=1,
                               confidence="likely", share=0.7,
                       evidence=("invented evidence",), against=("invented counter-evidence",),
                               meaning="an invented meaning", caution=FINDING_CAUTION,
                       next_step="an invented next step", basis="an invented basis")),
        (70, e.Finding(system="upstairs", phase="before", id="low_charge", title="Signs of too little refrigerant",
                       state="withdrawn", category="refrigerant", rank=0)),
        (71, blob(photo)), (71, blob(second)), (71, blob(third)),
        (72, e.Observed(system="upstairs", sign="capacitor_bulged", photo=hashlib.sha256(photo).hexdigest(), by="t")),
        (73, e.Observed(system="upstairs", text="ants in the panel", urgency="next_visit",
                        photo=hashlib.sha256(second).hexdigest(), by="t")),
        (74, e.Observed(system="upstairs", text="the third picture", photo=hashlib.sha256(third).hexdigest(), by="t")),
        (75, e.WallClock(wall_ns=WALL_NS + 3675 * NS, step_ns=3600 * NS)),
        (80, e.Phased(phase="work", by="t")),
        (81, e.Marked(system="upstairs", task="wash_outdoor_coil", state="done", by="t")),
        (82, e.Marked(system="upstairs", task="blower_wheel", state="skipped", note="no ladder", by="t")),
        (83, settled("herm_capacitance", herm_uf * 1e-6, "F", 0.25e-6, "work", run="stopped", instrument="clamp")),
        (84, checked("herm_capacitor_bench", "HERM capacitor on the bench", "fail", "work", value=herm_uf * 1e-6,
                     unit="F", u=0.25e-6, target=45e-6, target_u=0.0, low=42.3e-6, high=47.7e-6, probability=0.004,
                     rule="guard_band", source="the marking", basis="nameplate", finding="low", caution=CAUTION,
                     assumed=("invented: its leads are off",))),
        (85, e.Resumed(gap_ns=12 * NS, wall_ns=WALL_NS + 3697 * NS, how="boot_time")),
        (90, e.Overrun(instrument="gauges", loss="poll_skipped", count=3)),
        (100, e.Phased(phase="after", by="t", reason="an invented hurry", missing=("invented: coil still wet",))),
        *((110.0, body) for body in split("after", 11.0, 10.5)),
        (111, settled("outdoor_air_temperature", 30.1, "Cel", 0.4, "after")),
        (111, settled("return_wet_bulb", 17.1, "Cel", 0.4, "after")),
        (112, settled("compressor_common_current", 10.9, "A", 0.2, "after")),
        (113, e.Noted(text="gate code changed", by="t")),
    ]  # fmt: skip
    if closed:
        rows.append((120, e.Closed(by="t")))
    return rows


_SEQ_OF_WRONG_PLACE = 6


def _given(body: e.Introduced) -> dict[str, object]:
    return {name: getattr(body, name) for name in body.__struct_fields__}


def write_visit(
    path: Path, rows: Iterable[tuple[float, e.AnyBody]], *, sealed: bool = True, years: float = 0.0,
    systems: tuple[e.SystemRecord, ...] = (SYSTEM,),
) -> Path:  # fmt: skip
    """The rows as a visit's journal, opened so many years later; the file's stem is its name."""
    wall = WALL_NS + round(years * YEAR_NS)
    opened = e.Opened(station="van", visit=path.stem, wall_ns=wall, version="0", fingerprint="test", systems=systems,
                      technician="technician 7")  # fmt: skip
    key = StationKey.load_or_generate(path.with_name("station.key"))
    journal = JournalFile.create(path, meta={"station": "van", "visit": path.stem})
    bodies: list[tuple[float, e.AnyBody]] = [(0.0, opened), *rows]
    journal.append(
        [Row(n, round(t * NS), e.kind_of(body), e.encode(body)) for n, (t, body) in enumerate(bodies, start=1)]
    )
    if sealed:
        journal.put_seal(key, round(bodies[-1][0] * NS))
    journal.close()
    return path
