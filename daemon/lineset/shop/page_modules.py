"""The page's modules as one script: a browser then asks once where it would ask a dozen times. Pure.

Each module becomes a function that gives what it exports, in the order in which they need each other. They keep to a
plain form, which is looked after here: `import { a, b } from "./x.js";` and `export` before a function, a class or a
`const`; no default, no renaming, no circle.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Mapping

_IMPORT = re.compile(r'^import \{([\w$,\s]+)\} from "(\.{1,2}/[^"]+)";$', re.M)
_EXPORT = re.compile(r"^export (?=(?:(?:async )?function(?: ?\*)?|class|const) (\w+))", re.M)
_LEFT = re.compile(r"^(?:import\s*[\w{*\"']|export\b).*", re.M)
_RENAMED = re.compile(r"\bas\b")


class ModuleError(ValueError):
    """A module that cannot be put beside the others; says which and why."""


def joined(modules: Mapping[str, str], entry: str) -> str:
    """`entry` and all that it needs as one module. `modules`: name to text. Raises ModuleError."""
    done: dict[str, str] = {}
    _join(modules, entry, done, ())
    return "\n".join(done.values())


def _join(modules: Mapping[str, str], name: str, done: dict[str, str], above: tuple[str, ...]) -> None:
    if name in done:
        return
    if name in above:
        raise ModuleError(
            f"{name} needs itself, by way of {', '.join(above[above.index(name) + 1 :])}; break the circle"
        )
    text = modules.get(name)
    if text is None:
        raise ModuleError(f"{above[-1] if above else 'the page'} needs {name}, which is not there")

    def given(found: re.Match[str]) -> str:
        names, where = found.groups()
        if _RENAMED.search(names):
            raise ModuleError(f"{name} renames what it takes from {where}; take it by its own name")
        other = posixpath.normpath(posixpath.join(posixpath.dirname(name), where))
        _join(modules, other, done, (*above, name))
        return f"const {{{names}}} = {_called(other)};"

    body = _IMPORT.sub(given, text)
    exported = [found[1] for found in _EXPORT.finditer(body)]
    body = _EXPORT.sub("", body)
    if left := _LEFT.search(body):
        raise ModuleError(f"{name}: {left[0]!r} is no form that can be put beside others")
    done[name] = f"const {_called(name)} = (() => {{\n{body}\nreturn {{ {', '.join(exported)} }};\n}})();"


def _called(name: str) -> str:
    return "$" + re.sub(r"\W", "_", name)
