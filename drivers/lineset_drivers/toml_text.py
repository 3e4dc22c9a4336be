"""Reading a TOML text key by key, so that every problem names its line and what to do about it.

`tomllib` tells no lines, so the text is scanned once more for where each key stands. Problems are gathered, not
raised: who wrote a file wants to hear of all of them at once.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from .errors import ProfileError

Path = tuple[str | int, ...]
_MISSING: Any = object()
_KEY = re.compile(r"""\s*("(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)\s*""")
_DECODE_LINE = re.compile(r"\(at line (\d+), column \d+\)")
_KIND = {
    str: "a text",
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    dict: "a table",
    list: "a list",
}


def _split_key(text: str) -> tuple[list[str], str]:
    """The parts of a dotted key at the start of `text`, and what follows it."""
    parts: list[str] = []
    while match := _KEY.match(text):
        parts.append(match[1].strip("\"'"))
        text = text[match.end() :]
        if not text.startswith("."):
            break
        text = text[1:]
    return parts, text


def _value_goes_on(value: str, state: tuple[int, str]) -> tuple[int, str]:
    """(open brackets, open multi-line quote) after the line `value`, given the same before it."""
    depth, quote = state
    at = 0
    while at < len(value):
        if quote:
            end = value.find(quote, at)
            if end < 0:
                return depth, quote if len(quote) == 3 else ""
            if quote[0] == '"' and value[end - 1 : end] == "\\":
                at = end + 1
                continue
            at, quote = end + len(quote), ""
            continue
        char = value[at]
        if char == "#":
            break
        if char in "\"'":
            quote = char * 3 if value.startswith(char * 3, at) else char
            at += len(quote)
            continue
        depth += (char in "[{") - (char in "]}")
        at += 1
    return depth, quote if len(quote) == 3 else ""


def key_lines(text: str) -> dict[Path, int]:
    """The line (from 1) on which each key and table of a valid TOML text stands; elements of `[[x]]` by index."""
    lines: dict[Path, int] = {(): 1}
    counts: dict[Path, int] = {}
    prefix: Path = ()
    state = (0, "")
    for number, line in enumerate(text.splitlines(), 1):
        if state != (0, ""):
            state = _value_goes_on(line, state)
            continue
        bare = line.strip()
        if not bare or bare.startswith("#"):
            continue
        if bare.startswith("["):
            many = bare.startswith("[[")
            parts, _ = _split_key(bare.lstrip("["))
            prefix = ()
            for at, part in enumerate(parts):
                prefix = (*prefix, part)
                if many and at == len(parts) - 1:
                    counts[prefix] = counts.get(prefix, -1) + 1
                if prefix in counts:
                    lines.setdefault(prefix, number)
                    prefix = (*prefix, counts[prefix])
            lines[prefix] = number
            continue
        parts, rest = _split_key(bare)
        for at in range(1, len(parts) + 1):
            lines.setdefault((*prefix, *parts[:at]), number)
        state = _value_goes_on(rest.lstrip()[1:], (0, ""))
    return lines


def near(word: str, known: Iterable[str]) -> str:
    """ "Did you mean ...?" for a misspelt `word`, or "" when nothing known is near."""
    import difflib  # only when something is wrong: keeps the import light

    close = difflib.get_close_matches(word, [str(k) for k in known], n=2, cutoff=0.6)
    return f"Did you mean {' or '.join(repr(c) for c in close)}? " if close else ""


class Table:
    """One table of a TOML text. Each reader takes a key, checks it and returns it; `finish` tells of unknown keys.

    A wrong or missing key adds a ProfileError to `problems`, and a value of the right type comes back so that
    reading can go on to the next problem.
    """

    def __init__(
        self, data: dict[str, Any], lines: dict[Path, int], problems: list[ProfileError], file: str, path: Path = ()
    ) -> None:
        self._data, self._lines, self._path = data, lines, path
        self.problems, self.file = problems, file
        self._asked: dict[str, None] = {}

    def __contains__(self, key: str) -> bool:
        return key in self._data

    def __iter__(self) -> Iterator[str]:
        return iter(tuple(self._data))

    def problem(self, key: str, problem: str, remedy: str) -> None:
        """Keep a problem at `key` of this table ("" for the table itself)."""
        path = (*self._path, key) if key else self._path
        while path and path not in self._lines:
            path = path[:-1]
        shown = "".join(f"[{p}]" if isinstance(p, int) else f".{p}" for p in (*self._path, *([key] if key else [])))
        self.problems.append(
            ProfileError(problem, remedy=remedy, file=self.file, key=shown.lstrip("."), line=self._lines.get(path, 1))
        )

    def _take(self, key: str, kind: type, default: Any, example: str) -> Any:
        self._asked[key] = None
        value = self._data.get(key, _MISSING)
        if value is _MISSING:
            if default is not _MISSING:
                return default
            self.problem(key, "this key is missing", f"Add it, for example: {key} = {example}")
            return kind()
        if kind is float and type(value) is int:
            value = float(value)
        if type(value) is not kind:
            self.problem(key, f"expected {_KIND[kind]}, found {value!r}", f"Write it like: {key} = {example}")
            return kind() if default is _MISSING else default
        return value

    def text(
        self, key: str, default: Any = _MISSING, *, one_of: Sequence[str] = (), regex: str = "", example: str = '"..."'
    ) -> Any:
        """A text; one of `one_of`, or matching `regex` whole, where given. Returns str (or the default as it is)."""
        if one_of and example == '"..."':
            example = f'"{one_of[0]}"'
        known_before = len(self.problems)
        value = self._take(key, str, default, example)
        if len(self.problems) > known_before or key not in self._data:
            return value
        if one_of and value not in one_of:
            self.problem(key, f"{value!r} is not known here", f"{near(value, one_of)}Use one of {', '.join(one_of)}")
            return one_of[0] if default is _MISSING else default
        if regex and re.fullmatch(regex, value) is None:
            self.problem(key, f"{value!r} has a wrong form", f"Write it like: {key} = {example}")
        return value

    def number(
        self,
        key: str,
        default: Any = _MISSING,
        *,
        above: float | None = None,
        least: float | None = None,
        most: float | None = None,
        example: str = "1.0",
    ) -> Any:
        """A number within the limits. Returns float (or the default as it is)."""
        value = self._take(key, float, default, example)
        self._limits(key, value, above, least, most)
        return value

    def integer(
        self,
        key: str,
        default: Any = _MISSING,
        *,
        least: float | None = None,
        most: float | None = None,
        example: str = "1",
    ) -> Any:
        """A whole number within the limits. Returns int (or the default as it is)."""
        value = self._take(key, int, default, example)
        self._limits(key, value, None, least, most)
        return value

    def _limits(self, key: str, value: Any, above: float | None, least: float | None, most: float | None) -> None:
        if key not in self._data or not isinstance(value, int | float):
            return
        if value != value or (above is not None and value <= above):
            self.problem(key, f"{value!r} is not above {above or 0:g}", "Give a larger number")
        if least is not None and value < least:
            self.problem(key, f"{value!r} is less than {least:g}", f"Give at least {least:g}")
        if most is not None and value > most:
            self.problem(key, f"{value!r} is more than {most:g}", f"Give at most {most:g}")

    def boolean(self, key: str, default: bool) -> bool:
        """true or false."""
        return bool(self._take(key, bool, default, "true"))

    def items(
        self, key: str, kinds: tuple[type, ...], default: Any = _MISSING, *, example: str = "[1, 2]"
    ) -> tuple[Any, ...]:
        """A list whose items are of `kinds`."""
        value = self._take(key, list, default, example)
        wrong = [item for item in value if type(item) not in kinds]
        if wrong:
            self.problem(key, f"{wrong[0]!r} does not belong in this list", f"Write it like: {key} = {example}")
        return tuple(item for item in value if type(item) in kinds)

    def table(self, key: str) -> Table:
        """The table `key`, empty where it is missing."""
        return Table(self._take(key, dict, {}, "{ }"), self._lines, self.problems, self.file, (*self._path, key))

    def tables(self, key: str) -> list[Table]:
        """The elements of `[[key]]`."""
        found = self._take(key, list, [], "[[...]]")
        out = []
        for index, item in enumerate(found):
            if isinstance(item, dict):
                out.append(Table(item, self._lines, self.problems, self.file, (*self._path, key, index)))
            else:
                self.problem(key, f"{item!r} is not a table", f"Write each one under [[{key}]]")
        return out

    def rest(self) -> dict[str, Any]:
        """What nobody asked for yet; counts as asked for from now on."""
        left = {key: value for key, value in self._data.items() if key not in self._asked}
        self._asked.update(dict.fromkeys(left))
        return left

    def finish(self) -> None:
        """Tell of keys that nobody asked for: a misspelt key must not pass in silence."""
        known = tuple(self._asked)
        for key in self.rest():
            self.problem(key, "this key is not known here", f"{near(key, known)}Known: {', '.join(sorted(known))}")


def parse(text: str, file: str) -> Table:
    """The root table of `text`. A text that is no TOML gives an empty table with one problem."""
    problems: list[ProfileError] = []
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = _DECODE_LINE.search(str(error))
        # "at end of document" names no line: it is the last one
        line = int(found[1]) if found else text.count("\n") + 1
        what = _DECODE_LINE.sub("", str(error)).strip()
        problems.append(
            ProfileError(
                f"this is not TOML: {what}", remedy="Correct this line, or the one above it", file=file, line=line
            )
        )
        return Table({}, {(): 1}, problems, file)
    return Table(data, key_lines(text), problems, file)
