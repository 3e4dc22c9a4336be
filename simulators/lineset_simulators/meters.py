"""Meters whose leads or jaw are moved from point to point, and a probe, that speak in lines of text.

Inventions, like all instruments here; the maps are in each class. `Source` values are SI.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

from lineset_simulators.instruments import Source


def xor8(body: bytes) -> bytes:
    """The exclusive or of all bytes, as two upper-case hexadecimal digits."""
    total = 0
    for byte in body:
        total ^= byte
    return b"%02X" % total


class Mode(NamedTuple):
    """One position of a meter's rotary switch."""

    unit: str
    factor: float  # SI -> display
    digits: int  # decimals shown
    full_scale: float  # in display units; above it the meter shows OL


class ClampMeter:
    """clamp-meter-line: a clamp meter with leads. Line stream, 9600 8N1 or TCP; sends by itself, asked nothing.

    Two lines a second:

        $CM,<mode>,<value>,<unit>,<flags>*<checksum> CR LF

    field     meaning
    mode      ACA current through the jaw, ACV voltage, CAP capacitance (out of circuit, discharged), RES resistance
    value     sign, digits, decimal point, such as +012.34; or OL (over range, open leads in RES and CAP)
    unit      A, V, uF, Ohm
    flags     four characters: H display held or -, B battery low or -, and two reserved -
    checksum  exclusive or of all bytes between $ and *, two upper-case hexadecimal digits

    Example: $CM,ACA,+012.34,A,----*3D CR LF

    mode  range        resolution   accuracy
    ACA   0 to 100 A   0.01 A       2 % of reading + 5 counts
    ACV   0 to 750 V   0.1 V        1 % of reading + 5 counts
    CAP   0 to 2000 uF 0.1 uF       3 % of reading + 5 counts
    RES   0 to 40 kOhm 1 Ohm        1.5 % of reading + 5 counts
    """

    line_interval_s = 0.5
    modes: Mapping[str, Mode] = {
        "ACA": Mode("A", 1.0, 2, 100.0),
        "ACV": Mode("V", 1.0, 1, 750.0),
        "CAP": Mode("uF", 1e6, 1, 2000.0),
        "RES": Mode("Ohm", 1.0, 0, 40_000.0),
    }

    def __init__(self, source: Source, *, mode: str = "ACA") -> None:
        self.source = source
        self.mode = mode
        self.held = False
        self.battery_low = False
        self._held_text = ""

    def select(self, mode: str) -> None:
        """Turn the switch to `mode`; raises ValueError for one that it has not."""
        if mode not in self.modes:
            raise ValueError(f"the clamp meter has no mode {mode!r}; it has {', '.join(self.modes)}")
        self.mode = mode
        self.held = False

    def hold(self, on: bool) -> None:
        """Press the hold key: the display keeps its number until pressed again."""
        self._held_text = self._display()
        self.held = on

    def _display(self) -> str:
        mode = self.modes[self.mode]
        value = self.source.read()
        shown = None if value is None else value * mode.factor
        if shown is None or math.isnan(shown) or abs(shown) > mode.full_scale:
            return "OL"
        width = 6 if mode.digits else 5
        return f"{shown:+0{width + 1}.{mode.digits}f}"

    def line(self) -> bytes:
        """The next line, terminator included."""
        text = self._held_text if self.held else self._display()
        flags = ("H" if self.held else "-") + ("B" if self.battery_low else "-") + "--"
        body = f"CM,{self.mode},{text},{self.modes[self.mode].unit},{flags}".encode("ascii")
        return b"$" + body + b"*" + xor8(body) + b"\r\n"


class AirProbe:
    """air-probe-line: temperature and humidity of air. Line stream over TCP, offered where there is no radio.

    One line a second:

        $AP,<temperature>,<humidity>*<checksum> CR LF

    temperature  degC with two decimals, or OL (sensor broken);  humidity  %RH with one decimal, or OL
    checksum     exclusive or of all bytes between $ and *, two upper-case hexadecimal digits

    Example: $AP,+23.94,051.2*30 CR LF.  Accuracy 0.3 K and 2 %RH. Time constant 20 s.
    """

    line_interval_s = 1.0

    def __init__(self, temperature: Source, humidity: Source) -> None:
        self.temperature, self.humidity = temperature, humidity

    def line(self) -> bytes:
        """The next line, terminator included."""
        celsius, percent = self.temperature.read(), self.humidity.read()
        body = (
            f"AP,{'OL' if celsius is None else f'{celsius:+06.2f}'},"
            f"{'OL' if percent is None else f'{min(max(percent, 0.0), 100.0):05.1f}'}"
        ).encode("ascii")
        return b"$" + body + b"*" + xor8(body) + b"\r\n"


_SHORT = {"MEASURE": "MEAS", "VOLTAGE": "VOLT", "CURRENT": "CURR", "RESISTANCE": "RES", "CAPACITANCE": "CAP"}
_SHORT |= {"FREQUENCY": "FREQ", "CONFIGURE": "CONF", "FETCH": "FETC", "SYSTEM": "SYST", "ERROR": "ERR"}


class BenchMeter:
    """bench-meter: a bench multimeter. SCPI-99, commands and replies ended by LF, TCP or serial.

    query or command      reply
    *IDN?                 INVENTED,BENCH METER,SN0017,1.02
    MEAS:VOLT:AC?         volts, as +2.40312000E+02
    MEAS:CURR:AC?         amperes
    MEAS:RES?             ohms; 9.9E37 open leads
    MEAS:CAP?             farads; 9.9E37 out of range
    MEAS:FREQ?            hertz; 9.91E37 when no voltage is there
    CONF:VOLT:AC (...)    none; chooses the function, as the other CONF:... do. CONF? tells it: "VOLT:AC"
    READ?                 measures anew;  FETC?  the last value again
    DATA:LAST?            the last value as text in a definite-length block: #215+2.40312000E+02
    SYST:ERR?             0,"No error" or the oldest error, such as -113,"Undefined header"
    *ESR?                 event status register, cleared by reading: 32 command error, 16 execution error
    *CLS *RST *OPC?       as in IEEE 488.2

    The long forms (MEASURE:VOLTAGE:AC?) do as well. A number of 9.9E37 is overload, 9.91E37 not-a-number (SCPI-99,
    volume 1, 7.2.1). Accuracy 0.1 % of reading + 0.02 V; capacitance 1 % + 0.05 uF; resistance 0.1 % + 0.1 Ohm.

    error_style: what it does with a query that it does not know; "silence" sends nothing (then *ESR? or SYST:ERR?
    tells), "text" answers `ERROR -113`.
    """

    identity = "INVENTED,BENCH METER,SN0017,1.02"
    functions = ("VOLT:AC", "CURR:AC", "RES", "CAP", "FREQ")

    def __init__(self, sense: Callable[[str], float | None], *, error_style: str = "silence") -> None:
        """`sense(function)` gives the SI value across the leads for one of `functions`; None when nothing is there."""
        if error_style not in ("silence", "text"):
            raise ValueError(f"error_style is 'silence' or 'text', not {error_style!r}")
        self._sense = sense
        self.error_style = error_style
        self._function = "VOLT:AC"
        self._last = 9.91e37
        self._errors: list[str] = []
        self._status = 0

    def _measure(self) -> str:
        value = self._sense(self._function)
        if value is None:
            value = 9.9e37 if self._function in ("RES", "CAP") else 9.91e37
        self._last = value
        return f"{value:+.8E}"

    def _fail(self, code: int, text: str, bit: int) -> str | None:
        self._errors = [*self._errors, f'{code},"{text}"'][-10:]
        self._status |= bit
        return f"ERROR {code}" if self.error_style == "text" else None

    def _common(self, command: str) -> tuple[bool, str | None]:
        """(known, reply) of the commands that every IEEE 488.2 instrument has, and of the error queue."""
        if command == "*ESR?":
            status, self._status = self._status, 0
            return True, str(status)
        if command == "SYST:ERR?":
            return True, self._errors.pop(0) if self._errors else '0,"No error"'
        if command in ("*CLS", "*RST"):
            if command == "*CLS":
                self._errors, self._status = [], 0
            else:
                self._function = "VOLT:AC"
            return True, None
        fixed = {"*IDN?": self.identity, "*OPC?": "1", "CONF?": f'"{self._function}"'}
        return (True, fixed[command]) if command in fixed else (False, None)

    def command(self, line: bytes) -> bytes | None:
        """What the meter sends back for one line (terminator not included in `line`, included in the reply)."""
        text = line.decode("ascii", "replace").strip().upper()
        words = text.split("(")[0].split(" ")[0]
        command = ":".join(self._short(word) for word in words.lstrip(":").split(":"))
        if not command:
            return None
        known, reply = self._common(command)
        if not known:
            reply = self._measuring(command)
        return None if reply is None else reply.encode("ascii") + b"\n"

    def _measuring(self, command: str) -> str | None:
        if command == "READ?":
            return self._measure()
        if command == "FETC?":
            return f"{self._last:+.8E}"
        if command == "DATA:LAST?":
            block = f"{self._last:+.8E}"
            return f"#2{len(block):02d}{block}"
        verb, _, rest = command.partition(":")
        function = rest.rstrip("?")
        if verb in ("MEAS", "CONF") and function in self.functions and command.endswith("?") == (verb == "MEAS"):
            self._function = function
            return self._measure() if verb == "MEAS" else None
        return self._fail(-113, "Undefined header", 32)

    @staticmethod
    def _short(word: str) -> str:
        bare = word.rstrip("?")
        return _SHORT.get(bare, bare) + ("?" if word.endswith("?") else "")
