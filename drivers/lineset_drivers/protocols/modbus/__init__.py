"""Modbus from the client's side: RTU on a serial line, RTU over TCP, and Modbus TCP. Reads only; no I/O.

A `Conversation` turns a `Request` into bytes and bytes into an `Answer` or a `Failure`; `compile_polls` turns
register channels into few requests and one fast decoder each.
"""

from __future__ import annotations

from ..checksums import crc16
from ..event import Failure
from .conversation import Conversation, silent_interval_s
from .pdu import (
    COIL,
    DISCRETE,
    EXCEPTIONS,
    FUNCTIONS,
    HOLDING,
    INPUT,
    MAX_BITS,
    MAX_REGISTERS,
    Answer,
    Request,
    encode_rtu,
    encode_tcp,
)
from .registers import REGISTERS_OF, Poll, compile_polls, decode_value, encode_value, plan_polls

__all__ = [
    "COIL",
    "DISCRETE",
    "EXCEPTIONS",
    "FUNCTIONS",
    "HOLDING",
    "INPUT",
    "MAX_BITS",
    "MAX_REGISTERS",
    "REGISTERS_OF",
    "Answer",
    "Conversation",
    "Failure",
    "Poll",
    "Request",
    "compile_polls",
    "crc16",
    "decode_value",
    "encode_rtu",
    "encode_tcp",
    "encode_value",
    "plan_polls",
    "silent_interval_s",
]
