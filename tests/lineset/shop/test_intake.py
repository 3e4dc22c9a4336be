"""What becomes of a block that came, in any order and with any damage: pure, so thousands of cases cost little."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shop_blocks import Sent, b64, bodies, changed, sent, write_journal

from lineset.contract import entry as e
from lineset.contract.transfer import ReceiptMessage
from lineset.journal.reader import JournalReader
from lineset.journal.seal import StationKey
from lineset.shop import block_message, intake
from lineset.shop.block_message import Arrived, inflated, read_message
from lineset.shop.intake import MAX_VARIANTS, Outcome, take_in
from lineset.shop.standing import Known, runs_on, wanted
from lineset.stream.sending import Sending

REASONS = {"other_record", "forged", "unreadable", "oversized", "newer", "key", "unknown"}


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Sent:
    return sent(write_journal(tmp_path_factory.mktemp("j"), bodies(20), gap=True, block_rows=12), part=300)


def nothing(visit: Sent, **more: Any) -> Known:
    return Known(1, date(2026, 11, 1), visit.station, visit.visit, **more)


def _same(one: Arrived, other: Arrived) -> bool:
    """Whether both are the same, or say the same in other bytes."""
    return one.sha256 == other.sha256 or read_message(one) == read_message(other)


class Shop:
    """A visit's standing and what waits, as the database would keep it between batches."""

    def __init__(self, visit: Sent, **more: Any) -> None:
        self.known = nothing(visit, **more)
        self.waiting: dict[bytes, Arrived] = {}
        self.hashes: dict[int, bytes] = {}
        self.rows: list[Any] = []
        self.aside: list[intake.SetAside] = []
        self.sealed = 0

    def come(self, arrived: Iterable[Arrived]) -> Outcome:
        fresh = list(arrived)
        needed = {each.sha256 for each in runs_on(self.known, [each.n for each in fresh])}
        waited = [replace(self.waiting[sha256], waited=True) for sha256 in needed]
        out = take_in(replace(self.known, hashes=self.hashes), [*fresh, *waited])
        for taken in out.taken:
            assert taken.block.n == len(self.hashes) + 1
            self.hashes[taken.block.n] = taken.block.hash
            self.rows += taken.items
        for sha256 in out.unwaited:
            self.waiting.pop(sha256, None)
        for each, _ in out.waits:
            self.waiting[each.sha256] = each
        self.waiting = {key: each for key, each in self.waiting.items() if each.n > out.known.blocks}
        assert {each.sha256 for each in out.known.waiting} == set(self.waiting)
        # every message is accounted for: taken with its block, waiting, had, refused for now, or put aside
        kept = [*self.waiting.values(), *(aside.arrived for aside in out.aside)]
        for each in fresh:
            assert (
                each.n <= out.known.blocks
                or each.sha256 in self.waiting
                or each in out.refused
                or any(_same(other, each) for other in kept)
            )
        self.aside += out.aside
        self.sealed += out.seal is not None
        self.known = replace(out.known, hashes={})
        return out

    def assert_is(self, visit: Sent) -> None:
        with JournalReader(visit.path) as reader:
            items = sorted([*reader.rows(), *reader.gaps()], key=lambda x: getattr(x, "seq", 0) or x.first)  # type: ignore[union-attr]
            blocks = reader.blocks()
        assert self.rows == items
        assert self.known.blocks == len(blocks)
        assert (self.known.through, self.known.head) == (blocks[-1].last, blocks[-1].hash)
        assert self.sealed == 1
        assert self.waiting == {}


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_order_doubled_in_any_batches(visit: Sent, data: st.DataObject) -> None:
    messages = [visit.arrived(*each) for each in visit.all]
    doubled = data.draw(st.lists(st.sampled_from(messages), max_size=12))
    order = data.draw(st.permutations([*messages, *doubled]))
    shop = Shop(visit)
    while order:
        size = data.draw(st.integers(1, len(order)))
        shop.come(order[:size])
        order = order[size:]
    assert shop.aside == []
    shop.assert_is(visit)


def _damaged(payload: bytes, data: st.DataObject) -> bytes:
    how = data.draw(st.sampled_from(["byte", "cut", "field", "data", "nothing"]))
    if how == "byte":
        at, bit = data.draw(st.integers(0, len(payload) - 1)), data.draw(st.integers(0, 7))
        return payload[:at] + bytes([payload[at] ^ (1 << bit)]) + payload[at + 1 :]
    if how == "cut":
        return payload[: data.draw(st.integers(0, len(payload) - 1))]
    if how == "field":
        field = data.draw(st.sampled_from(["n", "first", "last", "rows", "gaps", "t", "part", "parts", "format"]))
        return changed(payload, **{field: data.draw(st.integers(-(2**70), 2**70) | st.integers(-2, 30))})
    if how == "data":
        return changed(payload, data=b64(data.draw(st.binary(max_size=50))))
    return b""


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_whatever_damage_nothing_false_is_taken_and_the_true_blocks_are(visit: Sent, data: st.DataObject) -> None:
    shop = Shop(visit)
    messages = [visit.arrived(*each) for each in visit.all]
    wrong = []
    for n, payload in data.draw(st.lists(st.sampled_from(visit.all), min_size=1, max_size=4)):
        bad = _damaged(payload, data)
        wrong.append(visit.arrived(data.draw(st.just(n) | st.integers(0, 40)), bad))
    order = data.draw(st.permutations([*messages, *wrong]))
    size = data.draw(st.integers(1, 12))
    for at in range(0, len(order), size):
        shop.come(order[at : at + size])
    # a station sends again what it has no receipt for
    for _ in range(2):
        for each in messages:
            if each.n > shop.known.blocks or not shop.known.sealed:
                shop.come([each])
    assert {each.reason for each in shop.aside} <= REASONS
    assert all(each.words for each in shop.aside)
    shop.waiting = {key: each for key, each in shop.waiting.items() if each.payload in dict(visit.all).values()}
    shop.assert_is(visit)


def one(visit: Sent, payload: bytes, n: int = 1, known: Known | None = None) -> Outcome:
    return take_in(known or nothing(visit), [visit.arrived(n, payload)])


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Sent:
    return sent(write_journal(tmp_path_factory.mktemp("w"), bodies(20)))


def after(visit: Sent, blocks: int) -> Known:
    out = take_in(nothing(visit), [visit.arrived(*each) for each in visit.all[:blocks]])
    assert out.known.blocks == blocks
    return out.known


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"format": 2}, "newer"),
        ({"format": 2, "previous": 7}, "newer"),
        ({"format": 0}, "unreadable"),
        ({"n": 2}, "forged"),
        ({"journal": "xyz"}, "unreadable"),
        ({"hash": b64(b"short")}, "unreadable"),
        ({"data": "***"}, "unreadable"),
        ({"data": b64(b"no zlib")}, "unreadable"),
        ({"parts": 10_000}, "oversized"),
        ({"rows": 200_000}, "oversized"),
        ({"first": 2**64}, "unreadable"),
        ({"t": -(2**80)}, "unreadable"),
        ({"part": 1}, "unreadable"),
        ({"meta": None}, "unreadable"),
        ({"hash": b64(b"\1" * 32)}, "forged"),
        ({"last": 3}, "forged"),
        ({"previous": b64(b"\1" * 32)}, "forged"),
    ],
)
def test_each_fault_has_its_reason(whole: Sent, changes: dict[str, Any], reason: str) -> None:
    out = one(whole, changed(whole.payloads[0][0], **changes))
    assert [each.reason for each in out.aside] == [reason]
    assert (out.problem, out.taken, out.known.blocks) == (reason, [], 0)
    # and it stays said, until the block that is due comes
    assert take_in(out.known, []).problem == reason
    assert one(whole, whole.payloads[0][0], known=out.known).problem == ""


def test_bombs_that_claim_one_number_are_not_all_unpacked(whole: Sent, monkeypatch: pytest.MonkeyPatch) -> None:
    """One who has a station's credentials could else keep a collector busy for minutes with some megabytes."""
    unpacked: list[int] = []

    def counted(data: bytes, n: int) -> bytes:
        unpacked.append(n)
        return inflated(data, n)

    monkeypatch.setattr(intake, "inflated", counted)
    first, second = (whole.payloads[n][0] for n in (0, 1))
    bomb = b64(zlib.compress(bytes(1 << 20), 9))
    bombs = [whole.arrived(2, changed(second, data=bomb, t=t)) for t in range(50)]
    stray = [whole.arrived(2, changed(second, data=bomb, previous=b64(bytes(32)), t=t)) for t in range(3)]
    out = take_in(nothing(whole), [*stray, *bombs, whole.arrived(1, first)])
    assert (out.known.blocks, len(out.aside), out.known.waiting) == (1, 53, ())
    assert len(unpacked) <= 1 + MAX_VARIANTS
    assert {each.reason for each in out.aside} <= {"forged", "unreadable", "other_record"}
    out = take_in(out.known, [whole.arrived(2, second)])
    assert (out.known.blocks, out.problem) == (2, ""), "the right one is taken once it comes again"


def test_bombs_are_stopped_while_they_unfold(whole: Sent, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(block_message, "MAX_FRAMED", 1 << 20)
    bomb = changed(whole.payloads[0][0], data=b64(zlib.compress(bytes(200 << 20), 9)[:400_000]))
    out = one(whole, bomb)
    assert out.problem == "oversized"
    assert one(whole, whole.payloads[0][0] + b" " * (1 << 21)).problem == "oversized"


@pytest.mark.parametrize(
    "meta", [{"station": "van-2"}, {"visit": "visit-2"}, {"id": "0" * 32}, {"first": "2"}, {"x": "y"}]
)
def test_the_record_of_another_visit_is_refused(whole: Sent, meta: dict[str, str]) -> None:
    true = json.loads(whole.payloads[0][0])["meta"]
    assert one(whole, changed(whole.payloads[0][0], meta={**true, **meta})).problem == "forged"


def test_a_journal_of_a_newer_form_waits_for_a_newer_program(whole: Sent) -> None:
    true = json.loads(whole.payloads[0][0])["meta"]
    assert one(whole, changed(whole.payloads[0][0], meta={**true, "format": "9"})).problem == "newer"


def test_another_visit_inside_is_refused(tmp_path: Path) -> None:
    other = sent(write_journal(tmp_path / "a", visit="visit-2"))
    claimed = replace(other, visit="visit-1")
    assert take_in(nothing(claimed), [claimed.arrived(*each) for each in other.all]).problem == "forged"


def test_another_journal_under_the_name_is_refused(whole: Sent, tmp_path: Path) -> None:
    other = sent(write_journal(tmp_path / "other"))
    known = after(whole, 2)
    for n in (1, 2, 3):
        out = one(whole, other.payloads[n - 1][0], n, known)
        assert (out.problem, out.known.blocks, out.journal) == ("other_record", 2, known.journal)


def test_another_block_under_the_number_is_refused(whole: Sent) -> None:
    known = replace(after(whole, 3), hashes={1: json_hash(whole, 0), 2: json_hash(whole, 1)})
    for n in (1, 2, 3):
        out = one(whole, changed(whole.payloads[n - 1][0], hash=b64(b"\7" * 32)), n, known)
        assert (out.problem, out.again) == ("other_record", 0)
        assert one(whole, whole.payloads[n - 1][0], n, known).again == 1
    out = one(whole, changed(whole.payloads[3][0], previous=b64(b"\7" * 32)), 4, known)
    assert out.problem == "other_record"


def json_hash(visit: Sent, at: int) -> bytes:
    import base64

    return base64.b64decode(json.loads(visit.payloads[at][0])["hash"])


def test_the_seal_is_checked(whole: Sent, tmp_path: Path) -> None:
    last = len(whole.payloads)
    known = after(whole, last - 1)
    payload = whole.payloads[-1][0]
    seal = json.loads(payload)["seal"]
    for change in ({"rows": 7}, {"head": b64(b"\1" * 32)}, {"signature": b64(b"\1" * 64)}, {"t": 5}, {"blocks": 2**70}):
        out = one(whole, changed(payload, seal={**seal, **change}), last, known)
        assert (out.known.blocks, out.known.sealed, out.problem) == (last, False, "forged"), change
    out = one(whole, changed(payload, seal=None), last, known)
    assert (out.known.blocks, out.known.sealed, out.problem) == (last, False, "")
    # the last block comes again, now with its seal
    out = one(whole, payload, last, out.known)
    assert (out.known.sealed, out.again, out.taken) == (True, 1, [])
    assert out.key == StationKey.load(whole.path.with_name("van-1.key")).public
    # nothing comes after a seal, and no other seal
    assert one(whole, changed(payload, n=last + 1), last + 1, out.known).problem == "other_record"
    assert one(whole, changed(payload, seal={**seal, "t": 5}), last, out.known).problem == "other_record"
    assert one(whole, payload, last, out.known).problem == ""


def test_a_seal_of_another_key_is_refused(whole: Sent) -> None:
    known = replace(after(whole, len(whole.payloads) - 1), key=b"\1" * 32)
    out = one(whole, whole.payloads[-1][0], len(whole.payloads), known)
    assert (out.problem, out.known.sealed, out.known.blocks, out.key) == ("key", False, len(whole.payloads), None)


def test_a_revoked_station_is_unknown(whole: Sent) -> None:
    out = one(whole, whole.payloads[0][0], known=nothing(whole, revoked=True))
    assert (out.problem, out.known.blocks) == ("unknown", 0)


def test_gaps_are_told_and_parts_on_their_way_are_none(visit: Sent) -> None:
    by_number: dict[int, list[bytes]] = {}
    for n, payload in visit.all:
        by_number.setdefault(n, []).append(payload)
    cut = next(n for n, parts in by_number.items() if 2 < n < len(visit.payloads) and len(parts) > 1)
    shop = Shop(visit)
    shop.come([visit.arrived(cut, by_number[cut][0])])
    assert wanted(shop.known) == tuple(range(1, cut))
    for n in range(1, cut):
        out = shop.come([visit.arrived(n, payload) for payload in by_number[n]])
    assert out.wanted == ()  # the rest of it is on its way
    out = shop.come([visit.arrived(cut + 1, payload) for payload in by_number[cut + 1]])
    assert out.wanted == (cut,)  # no more: a later one is here


def test_what_is_too_far_ahead_or_too_much_is_not_kept(whole: Sent, monkeypatch: pytest.MonkeyPatch) -> None:
    far = changed(whole.payloads[3][0], n=300)
    out = one(whole, far, 300)
    assert (len(out.refused), out.waits, out.known.waiting) == (1, [], ())
    monkeypatch.setattr(intake, "MAX_WAITING", 10)
    out = one(whole, whole.payloads[3][0], 4)
    assert (len(out.refused), out.waits) == (1, [])


def test_an_unknown_kind_and_a_newer_body_are_no_reason(tmp_path: Path) -> None:
    from lineset.journal.row import Row

    odd = [Row(0, 0, "hologram", b'{"kind":"hologram"}'), Row(0, 0, "settled", b'{"kind":"settled","value":"much"}'),
           Row(0, 0, "opened", b"\xff\xfe"), Row(0, 0, "note", b"")]  # fmt: skip
    made = sent(write_journal(tmp_path / "j", [(1.0, each) for each in odd] + [(2.0, e.Closed())]))
    shop = Shop(made)
    out = shop.come([made.arrived(*each) for each in made.all])
    assert out.aside == []
    shop.assert_is(made)


@pytest.mark.parametrize("kept", [0, 2])
def test_a_shop_that_lost_much_of_an_open_visit_asks_for_all_of_it(
    tmp_path: Path, kept: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was restored from a copy of which the station knows nothing, further back than what may wait for a block."""
    monkeypatch.setattr(intake, "MAX_AHEAD", 2)
    whole = sent(write_journal(tmp_path / "j", bodies(20), block_rows=8))
    with JournalReader(whole.path) as reader:
        blocks, identity = reader.blocks(), reader.identity
    assert len(blocks) > kept + 4
    station = Sending(identity, blocks[-2].last)  # so it has been receipted
    station.learn(blocks)
    station.sealed(len(blocks))
    shop = Shop(whole)
    shop.come(whole.arrived(n, payload) for n, payload in whole.all if n <= kept)
    now = 0.0
    for _ in range(100):
        numbers = station.due(now)
        for n in numbers:
            station.sent(n, 100, now)
            out = shop.come(whole.arrived(n, payload) for payload in whole.payloads[n - 1])
            known = out.known
            station.receipt(
                ReceiptMessage(t=now, journal=known.journal or out.journal, blocks=known.blocks, through=known.through,
                               head=known.head.hex(), sealed=known.sealed, wanted=out.wanted, problem=out.problem), now
            )  # fmt: skip
        if station.final:
            break
        if not numbers:
            now = station.deadline(now) or now + 1.0
    shop.assert_is(whole)
    assert station.problem == ""
