"""One channel of an instrument: what it measures, how well, where on the wire it stands, and raw value to sample."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import msgspec

from .errors import ProfileError, UnitError
from .frame import Flag, Sample
from .quantity import UNITS, Quantity, unit_of
from .toml_text import Table, near


class Accuracy(msgspec.Struct, frozen=True):
    """A maker's statement of the largest error: `reading_pct` % of the reading + `absolute` + `counts`.

    `absolute` is in the channel's unit (a difference of it), `counts` in units of the channel's resolution. `shared` is
    how far the errors of the instrument's channels go together, 0 to 1: one reference junction, one amplifier, one
    shunt for all of them gives 1.
    """

    reading_pct: float = 0.0
    absolute: float = 0.0
    counts: float = 0.0
    shared: float = 0.0

    def at(self, value: float, resolution: float) -> float:
        """The half width of the stated error at `value`, in the channel's unit."""
        return abs(value) * self.reading_pct / 100 + self.absolute + self.counts * resolution


class Register(msgspec.Struct, frozen=True):
    """Where a Modbus value stands. `address` is the one on the wire, from 0; `count` is in registers or bits."""

    function: str  # input | holding | coil | discrete
    address: int
    type: str = "uint16"
    word_order: str = "big"  # big: the word with the high bits comes first
    byte_order: str = "big"
    bit: int | None = None  # one bit of a register, 0 the lowest
    count: int = 1


class Query(msgspec.Struct, frozen=True):
    """A SCPI query and which of the comma-separated numbers of its answer is meant (from 0).

    With `function` the value is this channel's only while the meter's own selector says so.
    """

    query: str
    column: int = 0
    function: str = ""  # a regular expression for the answer to the profile's function query


class Field(msgspec.Struct, frozen=True):
    """Where in a line a value stands: a named group of the pattern, or a column (from 0).

    `when` holds the words that must stand at other places of the line for the value to be this channel's.
    """

    group: str = ""
    column: int | None = None
    unit_group: str = ""  # the group that holds the unit on the wire, if the line tells it
    when: Mapping[str | int, tuple[str, ...]] = {}


class Characteristic(msgspec.Struct, frozen=True):
    """A GATT characteristic; `instance` (from 0) or `description` tells several of one UUID apart.

    Without a layout the payload is the standard's own form. With one ("function:uint8 value:medfloat32", see
    protocols.gatt.Layout) `field` is the value, and the conditions on other fields ("function=3", "status&0x01")
    say when it is this channel's, held, over range or invalid.
    """

    characteristic: str  # "0x2A6E" or a 128-bit UUID
    service: str = ""
    instance: int = 0
    description: str = ""  # text of the Characteristic User Description 0x2901
    mode: str = "notify"  # notify | poll
    layout: str = ""
    field: str = ""
    when: str = ""
    held_when: str = ""
    over_range_when: str = ""
    invalid_when: str = ""


class AdvertObject(msgspec.Struct, frozen=True):
    """An object of a BTHome advert; `instance` counts repeated ones from 1."""

    object: str
    instance: int = 1


Where = Register | Query | Field | Characteristic | AdvertObject | Mapping[str, Any] | None
"""None: read by a person. A mapping: a protocol of a third party, whose own keys these are."""

REGISTERS = {"uint16": 1, "int16": 1, "bcd16": 1, "uint32": 2, "int32": 2, "float32": 2}
REGISTERS |= {"uint64": 4, "int64": 4, "float64": 4, "ascii": 0}
FUNCTIONS = ("input", "holding", "coil", "discrete")
NAME = r"[a-z][a-z0-9_]*"


CAPTURES = ("inrush",)


class Channel(msgspec.Struct, frozen=True):
    """value = raw x scale + offset, in `unit`. Ranges and accuracy are in `unit`; `response_s` in visit seconds."""

    name: str
    title: str
    quantity: Quantity
    unit: str
    where: Where
    source: str
    scale: float = 1.0
    offset: float = 0.0
    codes: dict[int | float | str, Flag] = {}
    low: float = -math.inf
    high: float = math.inf
    accuracy: Accuracy = Accuracy()
    resolution: float = 0.0
    response_s: float = 0.0
    captures: str = ""  # CAPTURES: "inrush" for the extreme that the instrument caught while a motor started
    factors: tuple[float, float] = (1.0, 1.0)  # scale as multiplier and divisor

    def __post_init__(self) -> None:
        # 234 / 10 is 23.4, while 234 * 0.1 is 23.400000000000002
        if 0 < abs(self.scale) < 1 and 1 / (divisor := round(1 / self.scale)) == self.scale:
            factors = (1.0, float(divisor))
        else:
            factors = (self.scale, 1.0)
        msgspec.structs.force_setattr(self, "factors", factors)

    def sample(self, raw: float | str, unit: str = "") -> Sample:
        """What the raw value means: scaled, or flagged when it is a code, no number, or outside the range.

        `unit` is the unit that the instrument itself told, where it tells one; then scale and range, which are in
        the profile's unit, do not apply.
        """
        if self.codes and (flag := self.codes.get(raw)) is not None:
            return Sample(self.name, None, self.unit, flag)
        if isinstance(raw, str):
            try:
                raw = float(raw)
            except ValueError:
                return Sample(self.name, None, self.unit, Flag.INVALID)
        if not math.isfinite(raw):
            return Sample(self.name, None, self.unit, Flag.INVALID)
        if unit and unit != self.unit:
            known = unit_of(unit, self.quantity), unit_of(self.unit, self.quantity)
            value = (raw * known[0].factor + known[0].offset - known[1].offset) / known[1].factor
        else:
            value = raw * self.factors[0] / self.factors[1] + self.offset
        # an end of scale is kept as a number: it is a bound, and the flag says that it is no more than that
        if value > self.high:
            return Sample(self.name, value, self.unit, Flag.OVER_RANGE)
        if value < self.low:
            return Sample(self.name, value, self.unit, Flag.UNDER_RANGE)
        return Sample(self.name, value, self.unit)


def _uuid(table: Table, key: str, default: Any = ...) -> str:
    kwargs = {} if default is ... else {"default": default}
    text = str(
        table.text(
            key,
            regex=r"0x[0-9A-Fa-f]{4}|[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}",
            example='"0x2A6E"',
            **kwargs,
        )
    )
    return text.lower() if "-" in text else text


def read_register(table: Table) -> Register:
    """The Modbus keys of a channel or an identity probe."""
    function = table.text("function", one_of=FUNCTIONS)
    address = table.integer("address", least=0, most=65535)
    bits = function in ("coil", "discrete")
    kind = table.text("type", "bit" if bits else "uint16", one_of=("bit",) if bits else tuple(REGISTERS))
    count = REGISTERS.get(kind, 1) or table.integer("count", least=1, most=125, example="8")
    bit = table.integer("bit", None, least=0, most=15)
    if bit is not None and kind != "uint16":
        table.problem("bit", f"a bit of a {kind} makes no sense", 'Use type = "uint16", or remove bit')
    orders = ("big", "little")
    return Register(
        function=function,
        address=address,
        type=kind,
        word_order=table.text("word_order", "big", one_of=orders),
        byte_order=table.text("byte_order", "big", one_of=orders),
        bit=bit,
        count=count,
    )


def _read_field(table: Table, pattern: re.Pattern[str] | None) -> Field:
    group, column = table.text("group", ""), table.integer("column", None, least=0)
    unit_group = table.text("unit_group", "")
    selector = table.table("when")
    when: dict[str | int, tuple[str, ...]] = {}
    for key in selector:
        words = selector.items(key, (str,), (), example='["ACA"]')
        when[int(key) if pattern is None and key.isdigit() else key] = words
        if pattern is None and not key.isdigit():
            selector.problem(key, f"{key!r} is no column", 'Write the column, from 0: when = { 1 = ["ACA"] }')
    if bool(group) == (column is not None):
        table.problem("", "a channel of a line needs either group or column", 'Add group = "name" or column = 2')
    if column is not None and pattern is not None:
        table.problem("column", "columns go with a delimiter, not with a pattern", "Use group, or replace the pattern")
    known = list(pattern.groupindex) if pattern is not None else []
    places = [("when", str(place)) for place in when] if pattern is not None else []
    for key, name in (("group", group), ("unit_group", unit_group), *places):
        if name and name not in known:
            remedy = f"{near(name, known)}The pattern has {', '.join(known) or 'no named group; write (?P<name>...)'}"
            table.problem(key, f"the pattern has no group {name!r}", remedy)
    return Field(group=group, column=column, unit_group=unit_group, when=when)


def _read_characteristic(table: Table) -> Characteristic:
    from .protocols.gatt import Condition, Layout  # only where a profile of this protocol is read

    layout, field = table.text("layout", ""), table.text("field", "")
    known: list[str] = []
    if layout:
        try:
            known = [f.name for f in Layout.parse(layout).fields]
        except ProfileError as error:
            table.problem("layout", error.problem, error.remedy)
        if known and field not in known:
            table.problem("field", f"the layout has no field {field!r}", f"{near(field, known)}Use {', '.join(known)}")
    conditions = {}
    for key in ("when", "held_when", "over_range_when", "invalid_when"):
        conditions[key] = table.text(key, "")
        if not conditions[key]:
            continue
        try:
            tested = Condition.parse(conditions[key]).field
        except ProfileError as error:
            table.problem(key, error.problem, error.remedy)
            continue
        if tested not in known:
            remedy = f"{near(tested, known)}The layout has {', '.join(known) or 'no field; add layout'}"
            table.problem(key, f"the layout has no field {tested!r}", remedy)
    return Characteristic(
        characteristic=_uuid(table, "characteristic"),
        service=_uuid(table, "service", ""),
        instance=table.integer("instance", 0, least=0),
        description=table.text("description", ""),
        mode=table.text("mode", "notify", one_of=("notify", "poll")),
        layout=layout,
        field=field,
        **conditions,
    )


def _read_where(table: Table, protocol: str, pattern: re.Pattern[str] | None) -> Where:
    match protocol:
        case "modbus":
            return read_register(table)
        case "scpi":
            query = table.text("query", example='"MEAS:VOLT:AC?"')
            if query and not query.split()[0].endswith("?"):
                table.problem("query", f"{query!r} asks nothing", "A query's first word ends with a question mark")
            return Query(query, table.integer("column", 0, least=0), table.text("function", ""))
        case "lines":
            return _read_field(table, pattern)
        case "gatt":
            return _read_characteristic(table)
        case "bthome":
            return AdvertObject(table.text("object", example='"temperature"'), table.integer("instance", 1, least=1))
        case "entered":
            return None
    return table.rest()


CODE_FLAGS = {
    "invalid": Flag.INVALID,
    "over_range": Flag.OVER_RANGE,
    "under_range": Flag.UNDER_RANGE,
    "not_known": Flag.NOT_KNOWN,
}


def _codes(table: Table, given: Mapping[str, tuple[Any, ...]], where: Where) -> dict[int | float | str, Flag]:
    codes: dict[int | float | str, Flag] = {}
    width = bits = 0
    if isinstance(where, Register) and where.type.lstrip("u") in ("int16", "int32", "int64"):
        bits = int(where.type.lstrip("u")[3:])
        width = bits if where.type.startswith("i") else 0
    for key, flag in CODE_FLAGS.items():
        for code in given[key]:
            if bits and isinstance(code, int) and not -(1 << width - 1 if width else 0) <= code < 1 << bits:
                kind = where.type if isinstance(where, Register) else ""
                table.problem(
                    key, f"{kind} never holds the code {code}", "Write codes as sent, before scale and offset"
                )
            # manuals print codes as register contents: 0x8000 is -32768 to a signed type
            signed = code - (1 << width) if width and isinstance(code, int) and code >= 1 << (width - 1) else code
            if signed in codes:
                table.problem(key, f"the code {code!r} stands in two lists", "Keep it in one")
            codes[signed] = flag
    return codes


def read_channel(table: Table, protocol: str, pattern: re.Pattern[str] | None = None) -> Channel:
    """A `[[channel]]` table as a Channel; problems go to the table's list."""
    quantity = Quantity(table.text("quantity", one_of=tuple(Quantity)) or Quantity.RATIO)
    unit = table.text("unit", example=f'"{next(iter(UNITS[quantity]))}"')
    try:
        unit_of(unit, quantity)
    except UnitError as error:
        if "unit" in table and "quantity" in table:
            table.problem(
                "unit",
                str(error).split(";", maxsplit=1)[0],
                f"{near(unit, UNITS[quantity])}Use {str(error).split('; use ')[1]}",
            )
    name = table.text("name", regex=NAME, example='"low"')
    title = table.text("title", name)
    scale = table.number("scale", 1.0)
    if scale == 0:
        table.problem("scale", "a scale of 0 makes every value the same", "Give the value of one raw step")
    offset = table.number("offset", 0.0)
    span = table.items("range", (int, float), (), example="[0, 500]")
    if span and (len(span) != 2 or span[0] >= span[1]):
        table.problem("range", f"{list(span)} is not a range", "Write the lower and the upper end: range = [0, 500]")
        span = ()
    stated = table.table("accuracy")
    accuracy = Accuracy(
        stated.number("reading_pct", 0.0, least=0),
        stated.number("absolute", 0.0, least=0),
        stated.number("counts", 0.0, least=0),
        stated.number("shared", 0.0, least=0, most=1),
    )
    stated.finish()
    resolution = table.number("resolution", 0.0, least=0)
    if accuracy.counts and not resolution:
        table.problem("accuracy", "counts are in units of resolution, and there is none", "Add resolution")
    response_s = table.number("response_s", 0.0, least=0)
    captures = table.text("captures", "", one_of=("", *CAPTURES))
    source = table.text("source", example='"manual, table of registers: address 0, low side port"')
    # codes want the register's type, and a third party's own keys are what is left over: so this goes last
    given = {key: table.items(key, (int, float, str), (), example="[0x7FFF]") for key in CODE_FLAGS}
    where = _read_where(table, protocol, pattern)
    codes = _codes(table, given, where)
    table.finish()
    low, high = span or (-math.inf, math.inf)
    return Channel(
        name=name,
        title=title,
        quantity=quantity,
        unit=unit,
        where=where,
        source=source,
        scale=scale,
        offset=offset,
        codes=codes,
        low=float(low),
        high=float(high),
        accuracy=accuracy,
        resolution=resolution,
        response_s=response_s,
        captures=captures,
    )
