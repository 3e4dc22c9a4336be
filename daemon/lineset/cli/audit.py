"""`lineset audit`: whether a visit's record is as it was written, and whether its readings give its verdicts."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.printed import printed
from lineset.cli.shop_selection import ShopFolderOption, ShopOption, SinceOption, StationsOption, UntilOption
from lineset.cli.station_access import JsonOption, say_error
from lineset.cli.which_visit import DataOption, visit_names, which_visit

if TYPE_CHECKING:
    from lineset.audit.audit_record import Audit

FAILED, NOT_LOOKED = 1, 2


def audit(
    targets: Annotated[
        list[str] | None,
        typer.Argument(
            help="Visits' names, journal files, folders of journals, or signed audits (.audit.json). With --shop also "
            "visits that only the shop has: STATION/VISIT, or VISIT.",
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
    shop: ShopOption = False,
    shop_folder: ShopFolderOption = None,
    station: StationsOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    own_key: Annotated[bool, typer.Option("--own-key", help="Print this station's public key and stop.")] = False,
    data: DataOption = None,
    as_json: JsonOption = False,
) -> None:
    """Verify a visit's record: hashes, seal, order, clock, calibrations, photos; and put its readings through again.

    A record sealed anew with another key passes where nobody knows the right key. The key of this station is known
    for its own visits; for others compare the digits, or give them with --key.

    With --shop a record is also held against what the shop received of it, block by block, and when; the key that the
    shop pinned is the right one. Without targets, every visit that the shop has is audited as the shop holds it.

    Example: lineset audit spring-12 --key van-1.key --out audits

    Example: lineset audit --shop --station van-1 --since 2026-05-01

    Exit code: 0 pass, 1 something is wrong, 2 it could not be looked at (of several the gravest: 1, then 2).
    """
    from lineset.audit.signed_audit import SUFFIX

    if own_key:
        typer.echo(_station_key(data, must=True).hex())
        return
    if (station or since or until) and (targets or not shop):
        raise say_error("audit", "--station, --since and --until are for --shop without targets", NOT_LOOKED)
    if not targets and not shop:
        raise say_error("audit", "name a visit, a file or a folder, or --shop for what the shop has", NOT_LOOKED)
    at_shop = [target for target in targets or () if shop and not _is_here(target, data)]
    targets = [target for target in targets or () if target not in at_shop]
    keys = _given_keys(key or [])
    signed = [Path(target) for target in targets if target.endswith(SUFFIX)]
    paths = [path for target in targets if not target.endswith(SUFFIX) for path in _files(target, data)]
    code = _check_signed(signed, keys, as_json) if signed else 0
    if signed and not paths and not at_shop:
        raise typer.Exit(code)
    work = [(path, _keys_for(path, keys, data)) for path in paths]
    # a file named outright may be a copy of any name; a visit asked for by name has to be that one
    by_name = {path: path.stem for path in paths if not any(_means(target, path) for target in targets)}
    if shop:
        from lineset.cli.audit_shop import audits_of, not_among, work_at_shop

        asked = work_at_shop(work, at_shop, keys, shop_folder, station, since, until, by_name)
        # whoever hands over a folder may have kept a visit back
        if any(Path(target).is_dir() for target in targets) and (others := not_among(paths, asked)):
            more = f" and {len(others) - 20} more" if len(others) > 20 else ""
            text = f"at the shop and not here, of the same stations: {', '.join(others[:20])}{more}"
            typer.echo(printed(text), err=as_json)
        found = audits_of(asked, jobs, quiet=as_json)
    else:
        found = _audit_all(work, by_name, jobs, quiet=as_json)
    signing = None if out is None else _signer(out, data)
    outcomes = _tell(found, signing, as_json=as_json, brief=shop and not paths and not at_shop)
    if outcomes["fail"] or code == FAILED:
        raise typer.Exit(FAILED)
    if outcomes["not_looked"] or code:
        raise typer.Exit(NOT_LOOKED)


def _is_here(target: str, data: Path | None) -> bool:
    """Whether a target is a file, a folder or a visit of this machine; else only the shop can have it."""
    return Path(target).exists() or target in visit_names(data) or target.endswith((".journal", ".json"))


def _means(target: str, path: Path) -> bool:
    """Whether a target names this very file, or the folder that it lies in."""
    return Path(target) in (path, path.parent)


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
    # where it is said to lie: a link in the folder may lead to a file of anybody's
    here = path.absolute().parent.resolve() / path.name
    folder = _data_folder(data).resolve()
    if (folder in here.parents or folder in path.resolve().parents) and (own := _station_key(data)):
        return (own,)
    return ()


def _audit_all(
    work: list[tuple[Path, tuple[bytes, ...]]], by_name: dict[Path, str], jobs: int, *, quiet: bool
) -> Iterator[Audit]:
    """Audit each, several at a time in processes of their own, in the order asked."""
    import os

    one = partial(_one, by_name)

    at_a_time = min(jobs or os.cpu_count() or 1, len(work))
    bar_wanted = sys.stderr.isatty() and not quiet
    if at_a_time == 1 and len(work) == 1:
        yield _one_with_bar(by_name, *work[0]) if bar_wanted else one(*work[0])
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


def _one(
    by_name: dict[Path, str], path: Path, keys: tuple[bytes, ...], progress: Callable[[int, int], None] | None = None
) -> Audit:
    from lineset.audit.audit import audit

    return audit(path, keys, progress, visit=by_name.get(path, ""))


def _one_with_bar(by_name: dict[Path, str], path: Path, keys: tuple[bytes, ...]) -> Audit:
    from rich.console import Console
    from rich.progress import Progress

    with Progress(transient=True, console=Console(stderr=True)) as bar:
        task = bar.add_task("auditing")
        return _one(by_name, path, keys, lambda done, of: bar.update(task, completed=done, total=of))


def _tell(
    found: Iterable[Audit], signing: Callable[[Audit], Path] | None, *, as_json: bool, brief: bool
) -> Counter[str]:
    """Say, and sign, each audit as it comes: there may be more than fit into memory. `brief`: sound ones in a line."""
    import msgspec

    from lineset.cli.audit_words import in_a_line, in_sentences

    outcomes = Counter[str]()
    for audit_ in found:
        first = not outcomes
        outcomes[audit_.outcome] += 1
        if as_json:
            text = msgspec.json.format(msgspec.json.encode(audit_), indent=2).decode()
            typer.echo(("[" if first else ",") + "\n  " + text.replace("\n", "\n  "), nl=False)
        elif brief and audit_.outcome == "pass":
            typer.echo(printed(in_a_line(audit_)))
        else:
            for line in in_sentences(audit_):
                typer.echo(printed(line))
            typer.echo()
        if signing is not None:
            path = signing(audit_)
            if not as_json:
                typer.echo(f"signed audit: {path}")
    if as_json:
        typer.echo("\n]" if outcomes else "[]")
    elif outcomes.total() > 1:
        typer.echo(
            f"{outcomes.total()} records: {outcomes['pass']} pass, {outcomes['fail']} fail, "
            f"{outcomes['not_looked']} could not be looked at"
        )
    return outcomes


def _signer(out: Path, data: Path | None) -> Callable[[Audit], Path]:
    """What signs an audit into `out`, with the key of the station here (made at first use)."""
    from lineset.audit.signed_audit import write_signed
    from lineset.journal.errors import JournalError
    from lineset.journal.seal import StationKey

    folder = _data_folder(data)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        own = StationKey.load_or_generate(folder / "station.key")
    except JournalError as error:
        raise say_error("audit", str(error), NOT_LOOKED) from error
    except OSError as error:
        raise say_error("audit", f"{error.filename or folder}: {error.strerror or error}", NOT_LOOKED) from error

    def sign(audit_: Audit) -> Path:
        try:
            return write_signed(audit_, own, out)
        except JournalError as error:
            raise say_error("audit", str(error), NOT_LOOKED) from error

    return sign


def _check_signed(files: list[Path], keys: list[bytes], as_json: bool) -> int:
    """Say of each signed audit whether it is as its auditor signed it. The exit code."""
    import json

    from lineset.audit.signed_audit import read_signed
    from lineset.journal.errors import JournalError

    code = 0
    for file in files:
        try:
            signed = read_signed(file)
        except JournalError as error:
            typer.echo(printed(f"lineset audit: {error}"), err=True)
            if as_json:
                typer.echo(json.dumps({"file": str(file), "error": str(error)}))
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
        typer.echo(printed(f"{'PASS' if well and right else 'FAIL'}  {file}"))
        typer.echo("  as its auditor signed it" if well else "  NOT what was signed: changed since, or never signed so")
        whose = "the right one" if right and keys else ("ANOTHER one" if keys else "not known here; compare its digits")
        typer.echo(printed(f"  the auditor's key {signed.public_key} is {whose}"))
        what = f"{said.outcome.upper()}, {said.target}, head {said.head}"
        typer.echo(printed(f"  the audit in it, of {signed.when() or '?'} UTC by its own clock, said {what}"))
    return code
