"""`lineset audit`: whether a visit's record is as it was written, and whether its readings give its verdicts."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.station_access import JsonOption, say_error
from lineset.cli.which_visit import DataOption, visit_names, which_visit

if TYPE_CHECKING:
    from lineset.audit.audit_record import Audit

FAILED, NOT_LOOKED = 1, 2


def audit(
    targets: Annotated[
        list[str] | None,
        typer.Argument(
            help="Visits' names, journal files, folders of journals, or signed audits (.audit.json).",
            autocompletion=lambda: visit_names(None),
        ),
    ] = None,
    key: Annotated[
        list[Path] | None,
        typer.Option("--key", help="File with the public key that should have sealed it; may be given again."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for a signed audit of each target.", file_okay=False)
    ] = None,
    jobs: Annotated[int, typer.Option("--jobs", min=0, help="Visits at a time; 0: one a processor.")] = 0,
    own_key: Annotated[bool, typer.Option("--own-key", help="Print this station's public key and stop.")] = False,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Verify a visit's record: hashes, seal, order, clock, calibrations, photos; and put its readings through again.

    A record sealed anew with another key passes where nobody knows the right key. The key of this station is known
    for its own visits; for others compare the digits, or give them with --key.

    Example: lineset audit spring-12 --key van-1.key --out audits

    Exit code: 0 pass, 1 something is wrong, 2 it could not be looked at (of several the gravest: 1, then 2).
    """
    import msgspec

    from lineset.audit.signed_audit import SUFFIX

    if own_key:
        typer.echo(_station_key(data, must=True).hex())
        return
    if not targets:
        raise say_error("audit", "name a visit, a journal file or a folder", NOT_LOOKED)
    keys = _given_keys(key or [])
    signed = [Path(target) for target in targets if target.endswith(SUFFIX)]
    paths = [path for target in targets if not target.endswith(SUFFIX) for path in _files(target, data)]
    code = _check_signed(signed, keys, as_json) if signed else 0
    if not paths:
        raise typer.Exit(code)
    found = list(_audit_all([(path, _keys_for(path, keys, data)) for path in paths], jobs, quiet=as_json))
    if as_json:
        typer.echo(msgspec.json.format(msgspec.json.encode(found), indent=2).decode())
    else:
        _show(found)
    if out is not None:
        _write(found, out, data, quiet=as_json)
    outcomes = {each.outcome for each in found}
    if "fail" in outcomes or code == FAILED:
        raise typer.Exit(FAILED)
    if "not_looked" in outcomes or code:
        raise typer.Exit(NOT_LOOKED)


def _files(target: str, data: Path | None) -> list[Path]:
    from lineset.journal.visit_files import SUFFIX

    given = Path(target)
    if not given.is_dir():
        return [which_visit("audit", target, data)]
    found = sorted(path for path in given.iterdir() if path.suffix == SUFFIX and not path.name.startswith("."))
    if not found:
        raise say_error("audit", f"{target}: no journals ({SUFFIX}) in this folder", NOT_LOOKED)
    return found


def _given_keys(files: list[Path]) -> list[bytes]:
    from lineset.audit.signed_audit import read_public_key
    from lineset.journal.errors import JournalError

    try:
        return [read_public_key(file) for file in files]
    except JournalError as error:
        raise say_error("audit", str(error), NOT_LOOKED) from error


def _data_folder(data: Path | None) -> Path:
    from lineset.station.config import default_folder

    return data or default_folder()


def _station_key(data: Path | None, *, must: bool = False) -> bytes:
    """The public key of the station here; empty when there is none."""
    from lineset.journal.errors import JournalError, MissingFileError
    from lineset.journal.seal import StationKey

    try:
        return StationKey.load(_data_folder(data) / "station.key").public
    except JournalError as error:
        if isinstance(error, MissingFileError) and not must:
            return b""
        raise say_error("audit", str(error), NOT_LOOKED) from error


def _keys_for(path: Path, given: list[bytes], data: Path | None) -> tuple[bytes, ...]:
    """The keys that may have sealed this file: those given; else the station's own for what lies in its folder."""
    if given:
        return tuple(given)
    if _data_folder(data).resolve() in path.resolve().parents and (own := _station_key(data)):
        return (own,)
    return ()


def _audit_all(work: list[tuple[Path, tuple[bytes, ...]]], jobs: int, *, quiet: bool) -> Iterator[Audit]:
    """Audit each, several at a time in processes of their own, in the order asked."""
    import os

    from lineset.audit.audit import audit as one

    at_a_time = min(jobs or os.cpu_count() or 1, len(work))
    bar_wanted = sys.stderr.isatty() and not quiet
    if at_a_time == 1 and len(work) == 1:
        yield _one_with_bar(*work[0]) if bar_wanted else one(*work[0])
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(at_a_time, mp_context=get_context("spawn")) as pool:
        results = pool.map(one, *zip(*work, strict=True))
        if not bar_wanted:
            yield from results
            return
        from rich.console import Console
        from rich.progress import track

        yield from track(results, "auditing", total=len(work), transient=True, console=Console(stderr=True))


def _one_with_bar(path: Path, keys: tuple[bytes, ...]) -> Audit:
    from rich.console import Console
    from rich.progress import Progress

    from lineset.audit.audit import audit as one

    with Progress(transient=True, console=Console(stderr=True)) as bar:
        task = bar.add_task("auditing")
        return one(path, keys, lambda done, of: bar.update(task, completed=done, total=of))


def _show(found: list[Audit]) -> None:
    from lineset.cli.audit_words import in_sentences

    for audit_ in found:
        for line in in_sentences(audit_):
            typer.echo(line)
        typer.echo()
    if len(found) > 1:
        counts = {outcome: sum(each.outcome == outcome for each in found) for outcome in ("pass", "fail", "not_looked")}
        typer.echo(
            f"{len(found)} records: {counts['pass']} pass, {counts['fail']} fail, "
            f"{counts['not_looked']} could not be looked at"
        )


def _write(found: list[Audit], out: Path, data: Path | None, *, quiet: bool) -> None:
    from lineset.audit.signed_audit import write_signed
    from lineset.journal.errors import JournalError
    from lineset.journal.seal import StationKey

    folder = _data_folder(data)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        own = StationKey.load_or_generate(folder / "station.key")
        for audit_ in found:
            path = write_signed(audit_, own, out)
            if not quiet:
                typer.echo(f"signed audit: {path}")
    except JournalError as error:
        raise say_error("audit", str(error), NOT_LOOKED) from error
    except OSError as error:
        raise say_error("audit", f"{error.filename or folder}: {error.strerror or error}", NOT_LOOKED) from error


def _check_signed(files: list[Path], keys: list[bytes], as_json: bool) -> int:
    """Say of each signed audit whether it is as its auditor signed it. The exit code."""
    import json
    from datetime import UTC, datetime

    from lineset.audit.signed_audit import read_signed
    from lineset.journal.errors import JournalError

    code = 0
    for file in files:
        try:
            signed = read_signed(file)
        except JournalError as error:
            typer.echo(f"lineset audit: {error}", err=True)
            code = code or NOT_LOOKED
            continue
        well = signed.signed_well()
        right = not keys or signed.public_key in {key.hex() for key in keys}
        said = signed.content()
        if not (well and right):
            code = FAILED
        if as_json:
            row = {"file": str(file), "signature": well, "key": signed.public_key, "key_known": bool(keys)}
            row |= {"key_right": right, "target": said.target, "outcome": said.outcome, "head": said.head}
            typer.echo(json.dumps(row))
            continue
        when = datetime.fromtimestamp(signed.signed_ns / 1e9, UTC).isoformat(timespec="seconds")
        typer.echo(f"{'PASS' if well and right else 'FAIL'}  {file}")
        typer.echo("  as its auditor signed it" if well else "  NOT what was signed: changed since, or never signed so")
        whose = "the right one" if right and keys else ("ANOTHER one" if keys else "not known here; compare its digits")
        typer.echo(f"  the auditor's key {signed.public_key} is {whose}")
        typer.echo(f"  it said on {when} UTC by its own clock: {said.outcome}, {said.target}, head {said.head}")
    return code
