"""Numbers in registers: types, word and byte order, and polls compiled once so that a reply decodes fast.

`word_order="big"`: the register at the lowest address holds the most significant word. `byte_order="big"`: each
register travels most significant byte first, as the specification demands (V1.1b3, 4.2); "little" exists in the
field. On the letters of other manuals, ABCD is big/big, CDAB little/big, BADC big/little, DCBA little/little.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Sequence
from typing import Literal, NamedTuple

import msgspec

from ...errors import ProfileError
from ...frame import Flag, Sample
from ..scaling import Scaler, Scaling
from .pdu import FUNCTIONS, MAX_BITS, MAX_REGISTERS, Answer, Request

Order = Literal["big", "little"]
_CODE = {"uint16": "H", "int16": "h", "bcd16": "H", "uint32": "I", "int32": "i", "float32": "f"}
_CODE |= {"uint64": "Q", "int64": "q", "float64": "d"}
REGISTERS_OF: dict[str, int] = {name: max(1, struct.calcsize(">" + code) // 2) for name, code in _CODE.items()}


class RegisterChannel(msgspec.Struct, frozen=True, kw_only=True):
    """Where a channel's number lies in an instrument's registers, and what it means.

    `address` counts from 0, as sent. `bit` (0 is the least significant) picks one bit of a 16-bit register.
    Codes in `scaling` are numbers as sent; for signed types the unsigned pattern (0x8000) may be written too.
    """

    channel: str
    function: Literal["coil", "discrete", "holding", "input"]
    address: int
    type: str = "uint16"
    word_order: Order = "big"
    byte_order: Order = "big"
    bit: int | None = None
    unit: str = ""
    scaling: Scaling = Scaling()

    @property
    def count(self) -> int:
        """Registers (or bits) that it takes."""
        return REGISTERS_OF[self.type] if self.function in ("holding", "input") else 1


class Poll(NamedTuple):
    """One request, the channels that it serves, and the function that decodes its answer into their samples."""

    request: Request
    channels: tuple[str, ...]
    decode: Callable[[Answer], tuple[Sample, ...]]


def _swapped(data: bytes) -> bytes:
    out = bytearray(len(data))
    out[0::2] = data[1::2]
    out[1::2] = data[0::2]
    return bytes(out)


def _bcd(register: int) -> int | None:
    digits = f"{register:04x}"
    return int(digits) if digits.isdecimal() else None


def decode_value(
    registers: Sequence[int], type: str, word_order: Order = "big", byte_order: Order = "big"
) -> int | float | str:
    """The number (or text, for "ascii") that `registers` hold.

    Raises ProfileError for an unknown type or a wrong count of registers, ValueError for digits that are not BCD.
    """
    data = struct.pack(f">{len(registers)}H", *registers)
    if byte_order == "little":
        data = _swapped(data)
    if type == "ascii":
        if word_order == "little":
            data = b"".join(data[at : at + 2] for at in range(len(data) - 2, -1, -2))
        return data.split(b"\0", 1)[0].decode("ascii", "backslashreplace").strip()
    if len(registers) != _registers_of(type):
        raise ProfileError(
            f"{type} takes {REGISTERS_OF[type]} registers, not {len(registers)}",
            remedy="Correct the count",
            key="count",
        )
    if word_order == "little":
        data = b"".join(data[at : at + 2] for at in range(len(data) - 2, -1, -2))
    number: int | float = struct.unpack(">" + _CODE[type], data)[0]
    if type == "bcd16":
        decimal = _bcd(int(number))
        if decimal is None:
            raise ValueError(f"register 0x{number:04X} holds no four decimal digits")
        return decimal
    return number


def encode_value(value: float, type: str, word_order: Order = "big", byte_order: Order = "big") -> tuple[int, ...]:
    """The registers that hold `value`; the inverse of `decode_value` for numbers.

    Raises ProfileError for an unknown type, struct.error or OverflowError for a number that the type cannot hold.
    """
    count = _registers_of(type)
    number = value if _CODE[type] in "fd" else int(value)
    if type == "bcd16":
        if not 0 <= number <= 9999:
            raise OverflowError(f"{value} has no four decimal digits")
        number = int(str(number), 16)
    data = struct.pack(">" + _CODE[type], number)
    if word_order == "little":
        data = b"".join(data[at : at + 2] for at in range(len(data) - 2, -1, -2))
    if byte_order == "little":
        data = _swapped(data)
    return struct.unpack(f">{count}H", data)


def _registers_of(type: str) -> int:
    if type not in REGISTERS_OF:
        raise ProfileError(
            f"unknown register type {type!r}", remedy=f"Use one of {', '.join(REGISTERS_OF)}", key="type"
        )
    return REGISTERS_OF[type]


def plan_polls(
    channels: Iterable[RegisterChannel], max_gap: int = 0, max_registers: int = MAX_REGISTERS, *, unit: int = 1
) -> list[Request]:
    """The requests that read all `channels`; see `compile_polls`."""
    return [poll.request for poll in compile_polls(channels, max_gap, max_registers, unit=unit)]


def compile_polls(
    channels: Iterable[RegisterChannel], max_gap: int = 0, max_registers: int = MAX_REGISTERS, *, unit: int = 1
) -> tuple[Poll, ...]:
    """Few requests that read all `channels` of `unit`, each with its decoder.

    Neighbours are merged when at most `max_gap` unused registers lie between them: 0 by default, since many
    instruments refuse a read that touches a register they do not have. A value is never split over two
    requests, so its words are of one moment. Raises ProfileError naming the key at fault.
    """
    groups: dict[int, list[RegisterChannel]] = {}
    for channel in channels:
        _check(channel)
        groups.setdefault(FUNCTIONS[channel.function], []).append(channel)
    polls = []
    for function, members in sorted(groups.items()):
        most = max_registers if function > 2 else min(MAX_BITS, max_registers * 16)
        members.sort(key=lambda c: (c.address, c.count))
        run: list[RegisterChannel] = []
        start = end = 0
        for channel in members:
            reach = max(end, channel.address + channel.count)
            if run and (channel.address - end > max_gap or reach - start > most):
                polls.append(_poll(Request(unit, function, start, end - start), run))
                run = []
            if not run:
                start, reach = channel.address, channel.address + channel.count
            run.append(channel)
            end = reach
        polls.append(_poll(Request(unit, function, start, end - start), run))
    return tuple(polls)


def _check(channel: RegisterChannel) -> None:
    if channel.function not in FUNCTIONS:
        raise ProfileError(
            f"unknown function {channel.function!r}", remedy=f"Use one of {', '.join(FUNCTIONS)}", key="function"
        )
    if channel.function in ("holding", "input"):
        if channel.type == "ascii":
            raise ProfileError(
                f"channel {channel.channel!r} is text", remedy="Use ascii in [identity] only", key="type"
            )
        _registers_of(channel.type)
    if channel.bit is not None and (channel.type not in ("uint16", "int16") or not 0 <= channel.bit <= 15):
        raise ProfileError(
            f"bit {channel.bit} of {channel.type} cannot be read", remedy="Use bit 0 to 15 of a uint16", key="bit"
        )
    for key, order in (("word_order", channel.word_order), ("byte_order", channel.byte_order)):
        if order not in ("big", "little"):
            raise ProfileError(f"unknown order {order!r}", remedy="Use big or little", key=key)
    if not 0 <= channel.address <= 65536 - channel.count:
        raise ProfileError(
            f"address {channel.address} lies outside 0 to 65535",
            remedy="Use the address as sent, from 0, without the leading 3 or 4 of older manuals",
            key="address",
        )


def _poll(request: Request, channels: list[RegisterChannel]) -> Poll:
    decode = _bit_decoder(request, channels) if request.is_bits else _register_decoder(request, channels)
    return Poll(request, tuple(c.channel for c in channels), decode)


def _bit_decoder(request: Request, channels: list[RegisterChannel]) -> Callable[[Answer], tuple[Sample, ...]]:
    rows = [(c.channel, c.unit, c.address - request.address, Scaler(c.scaling)) for c in channels]

    def decode(answer: Answer) -> tuple[Sample, ...]:
        packed = int.from_bytes(answer.data, "little")
        samples = []
        for name, unit, at, scaler in rows:
            value, flag = scaler(packed >> at & 1)
            samples.append(Sample(name, value, unit, flag))
        return tuple(samples)

    return decode


class _Layer:
    """Fields that one struct unpacks in one go: they share an orientation and do not overlap."""

    def __init__(self, swap: bool, order: str) -> None:
        self.swap, self.order = swap, order
        self.format = order
        self.end = 0  # bytes
        self.places: dict[tuple[int, str], int] = {}

    def place(self, at: int, code: str) -> int | None:
        """The field's index among the unpacked values, or None when it would overlap another."""
        if (at, code) in self.places:
            return self.places[at, code]
        if at < self.end:
            return None
        self.format += f"{at - self.end}x{code}"
        self.end = at + struct.calcsize(self.order + code)
        return self.places.setdefault((at, code), len(self.places))


def _register_decoder(request: Request, channels: list[RegisterChannel]) -> Callable[[Answer], tuple[Sample, ...]]:
    layers: list[_Layer] = []
    placed: list[tuple[RegisterChannel, _Layer, int]] = []
    for channel in channels:
        # with the bytes of each register swapped first if need be, every order is plain big- or little-endian
        swap = channel.byte_order == "little" and (channel.word_order == "big" or channel.count == 1)
        swap = swap or (channel.byte_order == "big" and channel.word_order == "little" and channel.count > 1)
        order = "<" if channel.word_order == "little" and channel.count > 1 else ">"
        at, code = 2 * (channel.address - request.address), _CODE[channel.type]
        for layer in layers:
            if (layer.swap, layer.order) == (swap, order) and (index := layer.place(at, code)) is not None:
                break
        else:
            layer = _Layer(swap, order)
            layers.append(layer)
            index = layer.place(at, code)
        assert index is not None
        placed.append((channel, layer, index))
    first = dict(zip(layers, [sum(len(x.places) for x in layers[:n]) for n in range(len(layers))], strict=True))
    rows = [_row(channel, first[layer] + index) for channel, layer, index in placed]
    structs = [(layer.swap, struct.Struct(layer.format).unpack_from) for layer in layers]
    plain = structs[0][1] if len(structs) == 1 and not structs[0][0] else None

    def decode(answer: Answer) -> tuple[Sample, ...]:
        data = answer.data
        if plain is not None:
            numbers = plain(data)
        else:
            swapped = _swapped(data)
            numbers = ()
            for swap, unpack in structs:
                numbers += unpack(swapped if swap else data)
        samples = []
        for name, unit, index, special, codes, mul, div, add in rows:
            number = numbers[index]
            if special is not None:
                value, flag = special(number)
                samples.append(Sample(name, value, unit, flag))
            elif codes and number in codes:
                samples.append(Sample(name, None, unit, codes[number]))
            else:
                samples.append(Sample(name, number * mul / div + add, unit))
        return tuple(samples)

    return decode


_Special = Callable[[int], tuple[float | None, str]]


def _row(
    channel: RegisterChannel, index: int
) -> tuple[str, str, int, _Special | None, dict[float, str], float, float, float]:
    scaling = channel.scaling
    mul, div = scaling.factors()
    codes = scaling.codes() | _aliases(channel)
    special: _Special | None = None
    if channel.type in ("bcd16", "float32", "float64") or channel.bit is not None:
        special = _special(channel, Scaler(scaling))
    return channel.channel, channel.unit, index, special, codes, mul, div, scaling.offset


def _aliases(channel: RegisterChannel) -> dict[float, str]:
    """Codes written as unsigned patterns, as the signed numbers that they are. Raises ProfileError for misfits."""
    if channel.type.startswith("float") or channel.bit is not None:
        return {}
    top = 1 << 16 * channel.count
    signed = channel.type.startswith("int")
    aliases = {}
    for code, flag in channel.scaling.codes().items():
        if not (-top // 2 if signed else 0) <= code < top:
            raise ProfileError(
                f"channel {channel.channel!r}: {channel.type} never holds the code {code:g}",
                remedy="Write the codes as sent, before scale and offset",
                key=next((k for k in Flag if k == flag), Flag.INVALID),
            )
        if signed and code >= top // 2:
            aliases[code - top] = flag
    return aliases


def _special(channel: RegisterChannel, scaler: Scaler) -> _Special:
    bit = channel.bit
    if bit is not None:
        return lambda register: scaler(register >> bit & 1)
    if channel.type == "bcd16":

        def bcd(register: int) -> tuple[float | None, str]:
            number = _bcd(register)
            return scaler(number) if number is not None else (None, Flag.INVALID.value)

        return bcd
    return scaler
