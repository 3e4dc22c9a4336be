"""Numbers in registers: types, word and byte order, and polls compiled once so that a reply decodes fast.

`word_order="big"`: the register at the lowest address holds the most significant word. `byte_order="big"`: each
register travels most significant byte first, as the specification demands (V1.1b3, 4.2); "little" exists in the
field. On the letters of other manuals, ABCD is big/big, CDAB little/big, BADC big/little, DCBA little/little.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Sequence
from math import nan
from typing import NamedTuple

from ...channel import Channel, Register
from ...errors import ProfileError
from ...frame import Sample
from .pdu import FUNCTIONS, MAX_BITS, MAX_REGISTERS, Answer, Request

Decode = Callable[[Answer], tuple[Sample, ...]]
_CODE = {"uint16": "H", "int16": "h", "bcd16": "H", "uint32": "I", "int32": "i", "float32": "f"}
_CODE |= {"uint64": "Q", "int64": "q", "float64": "d"}
REGISTERS_OF: dict[str, int] = {name: max(1, struct.calcsize(">" + code) // 2) for name, code in _CODE.items()}


class Poll(NamedTuple):
    """One request, the channels that it serves, and the function that decodes its answer into their samples."""

    request: Request
    channels: tuple[str, ...]
    decode: Decode


def _swapped(data: bytes) -> bytes:
    out = bytearray(len(data))
    out[0::2] = data[1::2]
    out[1::2] = data[0::2]
    return bytes(out)


def _bcd(register: int) -> int | None:
    digits = f"{register:04x}"
    return int(digits) if digits.isdecimal() else None


def decode_value(
    registers: Sequence[int], type: str, word_order: str = "big", byte_order: str = "big"
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


def encode_value(value: float, type: str, word_order: str = "big", byte_order: str = "big") -> tuple[int, ...]:
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
    channels: Iterable[Channel], max_gap: int = 0, max_registers: int = MAX_REGISTERS, *, unit: int = 1
) -> list[Request]:
    """The requests that read all `channels`; see `compile_polls`."""
    return [poll.request for poll in compile_polls(channels, max_gap, max_registers, unit=unit)]


def compile_polls(
    channels: Iterable[Channel], max_gap: int = 0, max_registers: int = MAX_REGISTERS, *, unit: int = 1
) -> tuple[Poll, ...]:
    """Few requests that read all `channels` (each stands at a `Register`) of `unit`, each with its decoder.

    Neighbours are merged when at most `max_gap` unused registers lie between them: 0 by default, since many
    instruments refuse a read that touches a register they do not have. A value is never split over two
    requests, so its words are of one moment. Raises ProfileError naming the key at fault.
    """
    groups: dict[int, list[tuple[Channel, Register]]] = {}
    for channel in channels:
        register = _checked(channel)
        groups.setdefault(FUNCTIONS[register.function], []).append((channel, register))
    polls = []
    for function, members in sorted(groups.items()):
        most = max_registers if function > 2 else min(MAX_BITS, max_registers * 16)
        members.sort(key=lambda member: (member[1].address, _count(member[1])))
        run: list[tuple[Channel, Register]] = []
        start = end = 0
        for member in members:
            address, count = member[1].address, _count(member[1])
            reach = max(end, address + count)
            if run and (address - end > max_gap or reach - start > most):
                polls.append(_poll(Request(unit, function, start, end - start), run))
                run = []
            if not run:
                start, reach = address, address + count
            run.append(member)
            end = reach
        polls.append(_poll(Request(unit, function, start, end - start), run))
    return tuple(polls)


def _count(register: Register) -> int:
    """Registers (or bits) that a value takes."""
    return REGISTERS_OF[register.type] if register.function in ("holding", "input") else 1


def _checked(channel: Channel) -> Register:
    register = channel.where
    if not isinstance(register, Register):
        raise ProfileError(
            f"channel {channel.name!r} stands in no register", remedy="Give function and address", key="address"
        )
    if register.function not in FUNCTIONS:
        raise ProfileError(
            f"unknown function {register.function!r}", remedy=f"Use one of {', '.join(FUNCTIONS)}", key="function"
        )
    if register.function in ("holding", "input"):
        if register.type == "ascii":
            raise ProfileError(
                f"channel {channel.name!r} is text, not a number", remedy="Use ascii in [identity] only", key="type"
            )
        _registers_of(register.type)
        if register.bit is not None and (register.type != "uint16" or not 0 <= register.bit <= 15):
            raise ProfileError(
                f"bit {register.bit} of {register.type} cannot be read", remedy="Use bit 0 to 15 of a uint16", key="bit"
            )
    for key, order in (("word_order", register.word_order), ("byte_order", register.byte_order)):
        if order not in ("big", "little"):
            raise ProfileError(f"unknown order {order!r}", remedy="Use big or little", key=key)
    if not 0 <= register.address <= 65536 - _count(register):
        raise ProfileError(
            f"address {register.address} lies outside 0 to 65535",
            remedy="Use the address as sent, from 0, without the leading 3 or 4 of older manuals",
            key="address",
        )
    return register


def _poll(request: Request, members: list[tuple[Channel, Register]]) -> Poll:
    decode = _bit_decoder(request, members) if request.is_bits else _register_decoder(request, members)
    return Poll(request, tuple(channel.name for channel, _ in members), decode)


def _bit_decoder(request: Request, members: list[tuple[Channel, Register]]) -> Decode:
    rows = [(channel.sample, register.address - request.address) for channel, register in members]

    def decode(answer: Answer) -> tuple[Sample, ...]:
        packed = int.from_bytes(answer.data, "little")
        return tuple([sample(packed >> at & 1) for sample, at in rows])

    return decode


class _Layer:
    """Numbers that one struct unpacks in one go: they share an orientation and do not overlap."""

    def __init__(self, swap: bool, order: str) -> None:
        self.swap, self.order = swap, order
        self.format = order
        self.end = 0  # bytes
        self.places: dict[tuple[int, str], int] = {}

    def place(self, at: int, code: str) -> int | None:
        """The number's index among those unpacked, or None when it would overlap another."""
        if (at, code) in self.places:
            return self.places[at, code]
        if at < self.end:
            return None
        self.format += f"{at - self.end}x{code}"
        self.end = at + struct.calcsize(self.order + code)
        return self.places.setdefault((at, code), len(self.places))


def _orientation(register: Register) -> tuple[bool, str]:
    """(swap the bytes of each register first, struct's byte order): with that, every order is a plain one."""
    if REGISTERS_OF[register.type] == 1:
        return register.byte_order == "little", ">"
    return register.byte_order != register.word_order, "<" if register.word_order == "little" else ">"


def _register_decoder(request: Request, members: list[tuple[Channel, Register]]) -> Decode:
    layers: list[_Layer] = []
    placed: list[tuple[Channel, Register, _Layer, int]] = []
    for channel, register in members:
        at, code, orientation = 2 * (register.address - request.address), _CODE[register.type], _orientation(register)
        index = None
        for layer in layers:
            if (layer.swap, layer.order) == orientation and (index := layer.place(at, code)) is not None:
                break
        else:
            layer = _Layer(*orientation)
            layers.append(layer)
            index = layer.place(at, code)
        assert index is not None  # a fresh layer takes anything
        placed.append((channel, register, layer, index))
    first, total = {}, 0
    for layer in layers:
        first[layer], total = total, total + len(layer.places)
    rows = [(_sampler(channel, register), first[layer] + index) for channel, register, layer, index in placed]
    structs = [(layer.swap, struct.Struct(layer.format).unpack_from) for layer in layers]
    plain = structs[0][1] if len(structs) == 1 and not structs[0][0] else None

    def decode(answer: Answer) -> tuple[Sample, ...]:
        if plain is not None:
            numbers = plain(answer.data)
        else:
            data, swapped, numbers = answer.data, _swapped(answer.data), ()
            for swap, unpack in structs:
                numbers += unpack(swapped if swap else data)
        return tuple([sample(numbers[index]) for sample, index in rows])

    return decode


def _sampler(channel: Channel, register: Register) -> Callable[[int], Sample]:
    sample, bit = channel.sample, register.bit
    if bit is not None:
        return lambda number: sample(number >> bit & 1)
    if register.type == "bcd16":
        return lambda number: sample(nan if (decimal := _bcd(number)) is None else decimal)
    return sample
