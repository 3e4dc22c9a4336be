"""The rows of the shop's tables that a block's entries make, with what is carried from one block to the next.

Pure. Readings, which are nearly all of it, become the bytes of PostgreSQL's binary COPY at once (manual, COPY, "Binary
Format"): what a channel's rows have in common is encoded once and only figures are packed for each. Everything else is
tuples. Nothing that a station may have written makes this fail: what a column cannot hold is cleaned or left null, an
entry that this version cannot read stays a raw event, and the block's bytes keep the truth.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import msgspec

from lineset.contract import entry as e
from lineset.journal.row import Gap, Row
from lineset.shop.carrying import Carrier, ChannelFacts, InstrumentFacts, Template
from lineset.shop.cleaning import INT4, INT8, TIMES_US, cleaned, day, fitting, moment_of, stored_body
from lineset_drivers.errors import UnitError
from lineset_drivers.frame import Sample
from lineset_drivers.quantity import SI_UNIT, Quantity, unit_of

READING_COLUMNS = (
    "seq", "n", "t_ns", "at", "value", "sent",
    "month", "visit_id", "instrument", "channel", "system", "point", "unit", "sent_unit", "flag",
)  # fmt: skip
_WHO = ("month", "visit_id", "seq")
COLUMNS: dict[str, tuple[str, ...]] = {
    "derived": (*_WHO, "at", "t_ns", "system", "values"),
    "event": (*_WHO, "at", "t_ns", "kind", "system", "name", "body"),
    "settled": (*_WHO, "at", "system", "phase", "name", "settled", "value", "unit", "u", "low", "high", "instrument",
                "channel", "origin", "reason"),
    "placement": (*_WHO, "at", "instrument", "channel", "system", "point", "by", "supersedes"),
    "check_verdict": (*_WHO, "at", "system", "phase", "name", "title", "state", "value", "unit", "u", "target", "low",
                      "high", "probability", "rule", "source", "reason"),
    "finding": (*_WHO, "at", "system", "phase", "id", "title", "state", "category", "rank", "confidence", "meaning",
                "next_step"),
    "observation": (*_WHO, "at", "system", "about", "sign", "text", "photo", "urgency", "wants", "by",
                    "withdraws"),
    "photo": (*_WHO, "sha256", "media_type", "size", "part", "parts", "data"),
    "instrument_channel": ("visit_id", "seq", "instrument", "channel", "profile", "profile_sha256", "identity",
                           "quantity", "calibrated", "calibration_due", "certificate"),
}  # fmt: skip
# The columns of a copy begin with figures: how many columns, then length and value of each.
_EPOCH_US = 946_684_800_000_000  # 2000-01-01, PostgreSQL's epoch, in us since 1970
_EPOCH_DAYS = date(2000, 1, 1).toordinal()
COPY_HEAD = b"PGCOPY\n\xff\r\n\0" + struct.pack(">ii", 0, 0)
COPY_END = b"\xff\xff"
_COUNT = len(READING_COLUMNS)
_FULL = struct.Struct(">hiqiiiqiqidid")
_NO_VALUE = struct.Struct(">hiqiiiqiqiid")
_NO_NUMBER = struct.Struct(">hiqiiiqiqii")
_NO_TIME = struct.Struct(">hiqiiiqi")
_LENGTH, _DOUBLE = struct.Struct(">i"), struct.Struct(">id")
_MAX_INSTRUMENTS, _MAX_CHANNELS, _MAX_SYSTEMS = 256, 256, 64
_MAX_INDEXED = 200  # letters of a text in an index, whose entries PostgreSQL limits to some 2,700 bytes


@dataclass(slots=True)
class VisitFacts:
    """What a block says of the visit itself; None: nothing new."""

    technician: str | None = None
    phase: str | None = None
    systems: str | None = None  # JSON
    opened_at: Any = None
    closed_at: Any = None
    last_at: Any = None  # of the block's last row, by the station's clock


@dataclass(slots=True)
class BlockRows:
    """The rows of one block: `readings` for a binary COPY without head and end, and tuples by table."""

    readings: list[bytes] = field(default_factory=list)
    count: int = 0  # of readings
    tables: dict[str, list[tuple[Any, ...]]] = field(default_factory=dict)
    visit: VisitFacts = field(default_factory=VisitFacts)
    carrier: Carrier = field(default_factory=Carrier)


class _Frame(msgspec.Struct, gc=False):
    instrument: str
    samples: list[tuple[str, float | None, str, str]]


class _LooseFrame(msgspec.Struct):
    instrument: str
    samples: list[Sample]


class _Derived(msgspec.Struct, gc=False):
    system: str
    values: dict[str, tuple[float, float]]


_encoder = msgspec.json.Encoder()
_frame_decoder = msgspec.json.Decoder(_Frame)
_loose_decoder = msgspec.json.Decoder(_LooseFrame)
_derived_decoder = msgspec.json.Decoder(_Derived)


def rows_of_block(items: Sequence[Row | Gap], month: date, visit_id: int, carrier: Carrier) -> BlockRows:
    """All rows of a block's entries, given what the blocks before it left."""
    return _Making(month, visit_id, carrier).run(items)


class _Making:
    def __init__(self, month: date, visit_id: int, carrier: Carrier) -> None:
        self.month, self.visit_id, self.carrier = month, visit_id, carrier
        self.out = BlockRows()
        self.rows = self.gaps = 0

    def run(self, items: Sequence[Row | Gap]) -> BlockRows:
        t = 0
        for item in items:
            if isinstance(item, Gap):
                self.gaps += 1
                self._gap(item)
                t = item.t
                continue
            self.rows += 1
            kind, t = item.kind, item.t
            if kind == "frame":
                self._frame(item)
            elif kind != "tick":
                self._entry(item)
        self.out.visit.last_at = self._at(t)
        carried = self.carrier.carried
        self.out.carrier = self.carrier.changed(rows=carried.rows + self.rows, gaps=carried.gaps + self.gaps)
        self.out.carrier.templates = self.carrier.templates  # counts change no row
        return self.out

    def _at(self, t: int) -> Any:
        offset = self.carrier.carried.offset
        return None if offset is None else moment_of(t + offset)

    def _put(self, table: str, *values: Any) -> None:
        self.out.tables.setdefault(table, []).append((self.month, self.visit_id, *values))

    # ----------------------------------------------------------------------------------------------------- readings

    def _frame(self, row: Row) -> None:
        try:
            frame: _Frame | _LooseFrame = _frame_decoder.decode(row.body)
            samples: Any = frame.samples
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            try:
                frame = _loose_decoder.decode(row.body)
                samples = [(each.channel, each.value, each.unit, each.flag) for each in frame.samples]
            except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
                self._raw(row)
                return
        templates = self.carrier.templates.get(frame.instrument)
        if templates is None:
            templates = self.carrier.templates.setdefault(frame.instrument, {})
        append, seq, t = self.out.readings.append, row.seq, row.t
        offset = self.carrier.carried.offset
        at: int | None = None
        if offset is not None:
            at = (t + offset) // 1000
            at = at - _EPOCH_US if TIMES_US[0] <= at < TIMES_US[1] else None
        n = 0
        for channel, value, unit, flag in samples:
            template = templates.get((channel, unit, flag))
            if template is None:
                template = self._template(frame.instrument, channel, unit, flag)
                if len(templates) < 4 * _MAX_CHANNELS:
                    templates[channel, unit, flag] = template
            if at is None:
                append(_reading_without_time(seq, n, t, value, template))
            elif value is None:
                append(_NO_NUMBER.pack(_COUNT, 8, seq, 4, n, 8, t, 8, at, -1, -1))
            elif template.convertible:
                append(
                    _FULL.pack(
                        _COUNT, 8, seq, 4, n, 8, t, 8, at, 8, value * template.factor + template.offset, 8, value
                    )
                )
            else:
                append(_NO_VALUE.pack(_COUNT, 8, seq, 4, n, 8, t, 8, at, -1, 8, value))
            append(template.tail)
            n += 1
        self.out.count += n

    def _template(self, instrument: str, channel: str, unit: str, flag: str) -> Template:
        """Nothing is guessed: a value in another unit than the profile's has none in SI, as in the engine."""
        carried = self.carrier.carried
        known = carried.instruments.get(instrument)
        facts = known.channels.get(channel) if known else None
        factor, offset, si_unit, convertible = 1.0, 0.0, "", False
        if facts is not None:
            try:
                quantity = Quantity(facts.quantity)
                factor, offset = unit_of(facts.unit, quantity)
                si_unit = SI_UNIT[quantity]
                convertible = not flag and unit in ("", facts.unit)
            except (ValueError, UnitError):
                pass  # of a later version, or damaged
        system, point = carried.places.get(instrument, {}).get(channel, ("", ""))
        sent_unit = unit or (facts.unit if facts else "")
        tail = _LENGTH.pack(4) + _LENGTH.pack(self.month.toordinal() - _EPOCH_DAYS)
        tail += struct.pack(">iq", 8, self.visit_id)
        for text in (instrument, channel, system, point, si_unit, sent_unit, flag):
            encoded = cleaned(text).encode()
            tail += _LENGTH.pack(len(encoded)) + encoded
        return Template(tail, factor, offset, convertible)

    # ------------------------------------------------------------------------------------------------- other entries

    def _gap(self, gap: Gap) -> None:
        body = _encoder.encode({"first": gap.first, "last": gap.last, "reason": cleaned(gap.reason)}).decode()
        self._put("event", gap.first, self._at(gap.t), gap.t, "gap", "", "", stored_body(body.encode())[0])

    def _raw(self, row: Row) -> None:
        body, told = stored_body(row.body)
        self._event(row, body, told)

    def _event(self, row: Row, body: str, told: Any) -> None:
        system, name = "", ""
        if isinstance(told, dict):
            system = _text_of(told, "system")
            name = next((text for key in _NAMES if (text := _text_of(told, key))), "")
        self._put("event", row.seq, self._at(row.t), row.t, cleaned(row.kind), system, name, body)

    def _entry(self, row: Row) -> None:
        kind = row.kind
        if kind == "derived":
            try:
                derived = _derived_decoder.decode(row.body)
            except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
                self._raw(row)
                return
            values = stored_body(_encoder.encode(derived.values))[0]
            self._put("derived", row.seq, self._at(row.t), row.t, cleaned(derived.system), values)
            return
        try:
            body = e.decode(row.body)
        except (e.EntryError, UnicodeDecodeError, RecursionError, ValueError, OverflowError):
            self._raw(row)  # of a newer version, or damaged before it was hashed
            return
        if isinstance(body, e.Opened | e.WallClock | e.Resumed):
            offset = body.wall_ns - row.t
            self.carrier = self.carrier.changed(offset=offset if abs(offset) < INT8 else None)
        if e.kind_of(body) != kind:
            self._raw(row)
            return
        if isinstance(body, e.Blob):
            self._put("photo", row.seq, cleaned(body.sha256)[:_MAX_INDEXED], cleaned(body.media_type),
                      fitting(body.size, INT8), fitting(body.part, INT4), fitting(body.parts, INT4),
                      body.data)  # fmt: skip
            return
        self._raw(row)
        self._typed(row.seq, self._at(row.t), body)

    def _typed(self, seq: int, at: Any, body: e.AnyBody) -> None:
        c = cleaned
        if isinstance(body, e.Settled):
            self._put("settled", seq, at, c(body.system), c(body.phase), c(body.name), True, body.value, c(body.unit),
                      body.u, body.low, body.high, c(body.instrument), c(body.channel), c(body.origin), "")  # fmt: skip
        elif isinstance(body, e.Unsettled):
            self._put("settled", seq, at, c(body.system), c(body.phase), c(body.name), False, None, "", None, None,
                      None, "", "", "", c(body.reason))  # fmt: skip
        elif isinstance(body, e.Checked):
            self._put("check_verdict", seq, at, c(body.system), c(body.phase), c(body.name), c(body.title),
                      c(body.state), body.value, c(body.unit), body.u, body.target, body.low, body.high,
                      body.probability, c(body.rule), c(body.source), c(body.reason))  # fmt: skip
        elif isinstance(body, e.Finding):
            self._put("finding", seq, at, c(body.system), c(body.phase), c(body.id), c(body.title), c(body.state),
                      c(body.category), fitting(body.rank, INT4), c(body.confidence), c(body.meaning),
                      c(body.next_step))  # fmt: skip
        elif isinstance(body, e.Observed):
            self._put("observation", seq, at, c(body.system), c(body.about), c(body.sign), c(body.text), c(body.photo),
                      c(body.urgency), [c(each) for each in body.wants], c(body.by),
                      fitting(body.withdraws, INT8))  # fmt: skip
        elif isinstance(body, e.Noted):
            self._put("observation", seq, at, "", "", "", c(body.text), "", "note", [], c(body.by), 0)
        elif isinstance(body, e.Placed):
            self._place(seq, at, body)
        elif isinstance(body, e.Introduced | e.InstrumentChanged):
            self._instrument(seq, body)
        else:
            self._about_visit(at, body)

    def _place(self, seq: int, at: Any, body: e.Placed) -> None:
        c = cleaned
        self._put("placement", seq, at, c(body.instrument), c(body.channel), c(body.system), c(body.point), c(body.by),
                  fitting(body.supersedes, INT8))  # fmt: skip
        places = dict(self.carrier.carried.places)
        of = dict(places.get(body.instrument, {}))
        of.pop(body.channel, None)
        if body.point and len(of) < _MAX_CHANNELS and (body.instrument in places or len(places) < _MAX_INSTRUMENTS):
            of[body.channel] = (body.system, body.point)
        places[body.instrument] = of
        if not of:
            del places[body.instrument]
        self.carrier = self.carrier.changed(body.instrument, places=places)

    def _instrument(self, seq: int, body: e.Introduced | e.InstrumentChanged) -> None:
        carried, name = self.carrier.carried, body.instrument
        known = carried.instruments.get(name)
        if known is None and len(carried.instruments) >= _MAX_INSTRUMENTS:
            return
        identity = carried.identities.get(name, "")
        if isinstance(body, e.InstrumentChanged):
            if not body.identity or body.identity == identity:
                return
            if len(carried.identities) < _MAX_INSTRUMENTS or name in carried.identities:
                self.carrier = self.carrier.changed(identities={**carried.identities, name: body.identity})
            if known is None:
                return
            facts = msgspec.structs.replace(known, identity=body.identity)
        else:
            channels = {
                each.name: ChannelFacts(
                    each.quantity, each.unit, each.calibration.date, each.calibration.due, each.calibration.source
                )
                for each in body.channels[:_MAX_CHANNELS]
            }
            facts = InstrumentFacts(body.profile, body.profile_sha256, identity, channels)
        instruments = {**self.carrier.carried.instruments, name: facts}
        self.carrier = self.carrier.changed(name, instruments=instruments)
        c = cleaned
        self.out.tables.setdefault("instrument_channel", []).extend(
            (self.visit_id, seq, c(name), channel, c(facts.profile), c(facts.profile_sha256), c(facts.identity),
             c(each.quantity), day(each.calibrated), day(each.due), c(each.certificate))
            for channel, each in {c(key)[:_MAX_INDEXED]: each for key, each in facts.channels.items()}.items()
        )  # fmt: skip

    def _about_visit(self, at: Any, body: e.AnyBody) -> None:
        visit = self.out.visit
        if isinstance(body, e.Opened):
            visit.technician, visit.phase, visit.opened_at = cleaned(body.technician), cleaned(body.phase), at
            self._systems({record.id: msgspec.to_builtins(record) for record in body.systems[:_MAX_SYSTEMS]})
        elif isinstance(body, e.Amended):
            systems = self.carrier.carried.systems
            if body.record.id in systems or len(systems) < _MAX_SYSTEMS:
                self._systems({**systems, body.record.id: msgspec.to_builtins(body.record)})
        elif isinstance(body, e.Phased):
            visit.phase = cleaned(body.phase)
        elif isinstance(body, e.Closed):
            visit.closed_at = at

    def _systems(self, systems: dict[str, Any]) -> None:
        self.carrier = self.carrier.changed(systems=systems)
        self.out.visit.systems = stored_body(_encoder.encode(list(systems.values())))[0]


# What an event is called in its column `name`: the first of these that its body has.
_NAMES = ("name", "id", "question", "task", "fact", "verb", "point", "sign", "instrument", "state", "phase", "action")


def _text_of(told: dict[str, Any], key: str) -> str:
    value = told.get(key)
    return cleaned(value) if isinstance(value, str) else ""


def _reading_without_time(seq: int, n: int, t: int, value: float | None, template: Template) -> bytes:
    head = _NO_TIME.pack(_COUNT, 8, seq, 4, n, 8, t, -1)
    if value is None:
        return head + _LENGTH.pack(-1) * 2
    si = _DOUBLE.pack(8, value * template.factor + template.offset) if template.convertible else _LENGTH.pack(-1)
    return head + si + _DOUBLE.pack(8, value)
