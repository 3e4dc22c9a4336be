"""Sending blocks: whatever is lost, doubled or late, all arrives, and the marker never leads what a receipt proves."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lineset.contract.transfer import ReceiptMessage
from lineset.journal.block import Block
from lineset.stream.sending import Pace, Sending

JOURNAL = "0123456789abcdef" * 2
PACE = Pace(blocks=6, bytes=5000, batch=3, quiet_s=5.0, quiet_most_s=30.0, wanted_s=1.0, slow_s=60.0)


def block(n: int, journal: str = JOURNAL) -> Block:
    """An invented block of ten entries."""
    digest = hashlib.sha256(f"{journal}/{n}".encode()).digest()
    return Block(n, 10 * n - 9, 10 * n, 10, 0, n, b"", digest)


def receipt(blocks: int, *, sealed: bool = False, wanted: tuple[int, ...] = (), problem: str = "") -> ReceiptMessage:
    head = block(blocks).hash.hex() if blocks else ""
    return ReceiptMessage(
        t=0.0, journal=JOURNAL, blocks=blocks, through=10 * blocks, head=head, sealed=sealed, wanted=wanted,
        problem=problem,
    )  # fmt: skip


def sending(blocks: int, *, through: int = 0, sealed: bool = False, pace: Pace = PACE) -> Sending:
    made = Sending(JOURNAL, through, pace=pace)
    made.learn(block(n) for n in range(1, blocks + 1))
    if sealed:
        made.sealed(blocks)
    made.connected(0.0)
    return made


def all_due(one: Sending, now: float, size: int = 100) -> list[int]:
    found: list[int] = []
    while due := one.due(now):
        found += due
        for n in due:
            one.sent(n, size, now)
    return found


# ------------------------------------------------------------------------------------------------------- by example


def test_a_window_goes_without_waiting_and_each_receipt_opens_it_again() -> None:
    one = sending(20)
    assert all_due(one, 0.0) == [1, 2, 3, 4, 5, 6]
    assert one.receipt(receipt(4), 0.1)
    assert (one.through, one.waiting, one.receipted) == (40, 16, 4)
    assert all_due(one, 0.1) == [7, 8, 9, 10]


def test_the_window_is_bounded_by_bytes_too() -> None:
    one = sending(20)
    assert all_due(one, 0.0, size=2000) == [1, 2, 3]


def test_after_a_restart_it_goes_on_behind_the_marker() -> None:
    one = sending(9, through=40)
    assert (one.receipted, one.waiting) == (4, 5)
    assert all_due(one, 0.0) == [5, 6, 7, 8, 9]


def test_where_the_shop_may_have_more_than_the_marker_says_one_block_asks_it() -> None:
    one = Sending(JOURNAL, pace=PACE, one_first=True)
    one.learn(block(n) for n in range(1, 10))
    one.connected(0.0)
    assert all_due(one, 0.0) == [1]
    one.connected(1.0)
    assert all_due(one, 1.0) == [1]
    assert one.receipt(receipt(7), 1.1)
    assert (one.through, all_due(one, 1.1)) == (70, [8, 9])


def test_silence_sends_again_from_the_last_receipt_one_at_a_time_until_something_is_heard() -> None:
    one = sending(20)
    all_due(one, 0.0)
    one.receipt(receipt(2), 1.0)
    assert all_due(one, 1.0) == [7, 8]
    assert one.deadline(1.0) == 6.0
    assert all_due(one, 5.9) == []
    assert all_due(one, 6.0) == [3]
    assert one.deadline(6.0) == 16.0  # twice as patient
    assert all_due(one, 16.0) == [3]
    assert one.receipt(receipt(3), 17.0)
    assert all_due(one, 17.0) == [4, 5, 6, 7, 8, 9]
    assert one.sent_again == 7  # 3 twice, and 4 to 8


def test_a_new_connection_sends_again_what_was_on_its_way() -> None:
    one = sending(20)
    all_due(one, 0.0)
    one.connected(1.0)
    assert all_due(one, 1.0) == [1, 2, 3, 4, 5, 6]


def test_what_is_wanted_goes_again_but_not_what_left_just_now() -> None:
    one = sending(20)
    all_due(one, 0.0)
    one.receipt(receipt(1, wanted=(2, 99, -3)), 0.5)
    assert all_due(one, 0.5) == [7]
    assert one.deadline(0.5) == 1.0
    assert all_due(one, 1.0) == [2]  # though the window is full
    assert all_due(one, 1.1) == []


def test_a_shop_that_went_back_to_a_copy_gets_what_it_misses() -> None:
    one = sending(9, through=80)
    assert all_due(one, 0.0) == [9]
    assert not one.receipt(receipt(5, wanted=(6, 7, 8)), 0.1)
    assert one.through == 80
    assert all_due(one, 0.1) == [6, 7, 8]
    assert one.receipt(receipt(9), 0.2)


def test_a_block_that_went_before_comes_again_with_the_seal() -> None:
    one = sending(3)
    assert all_due(one, 0.0) == [1, 2, 3]
    one.sealed(3)
    assert all_due(one, 0.1) == []
    one.receipt(receipt(3), 0.2)
    assert (one.final, one.waiting) == (False, 1)
    assert all_due(one, 0.2) == [3]
    assert not one.receipt(receipt(3), 0.3)  # about the first time; the seal is still on its way
    assert all_due(one, 0.3) == []
    assert all_due(one, 5.3) == [3]  # and was lost
    assert one.receipt(receipt(3, sealed=True), 5.4)
    assert (one.final, one.waiting, one.deadline(5.4)) == (True, 0, None)


@pytest.mark.parametrize(
    "said",
    [
        ReceiptMessage(t=0.0, journal=JOURNAL, blocks=2, through=20, head="00" * 32),
        ReceiptMessage(t=0.0, journal=JOURNAL, blocks=2, through=19, head=block(2).hash.hex()),
        ReceiptMessage(t=0.0, journal=JOURNAL, blocks=5, through=50, head=block(5).hash.hex()),
        ReceiptMessage(t=0.0, journal=JOURNAL, blocks=3, through=30, head=block(3).hash.hex(), sealed=True),
        ReceiptMessage(t=0.0, journal=JOURNAL, blocks=-1, through=30, head=block(3).hash.hex()),
        ReceiptMessage(t=0.0, journal=JOURNAL, blocks=0, through=20, head=""),
    ],
    ids=["head", "through", "ahead of us", "seal we do not have", "negative", "none, through some"],
)
def test_a_receipt_that_contradicts_the_record_moves_nothing_and_is_told(said: ReceiptMessage) -> None:
    one = sending(4)
    all_due(one, 0.0)
    assert not one.receipt(said, 1.0)
    assert (one.through, one.problem, one.unfitting) == (0, "unfitting", 1)
    assert all_due(one, 1.0) == []
    assert all_due(one, 61.0) == [1]  # tried again, slowly
    assert one.receipt(receipt(1), 61.1)
    assert one.problem == ""
    assert all_due(one, 61.1) == [2, 3, 4]


def test_a_receipt_of_another_journal_moves_nothing_and_is_told() -> None:
    one = sending(4)
    all_due(one, 0.0)
    other = ReceiptMessage(t=0.0, journal="f" * 32, blocks=2, through=20, head=block(2).hash.hex())
    assert not one.receipt(other, 1.0)
    assert (one.through, one.problem, one.foreign) == (0, "other_journal", 1)
    assert one.receipt(receipt(4), 1.1)
    assert one.problem == ""


def test_a_problem_is_tried_again_slowly_and_at_once_over_a_new_connection() -> None:
    one = sending(9)
    all_due(one, 0.0)
    assert one.receipt(receipt(2, problem="newer"), 1.0)  # what it had before counts all the same
    assert (one.through, one.problem) == (20, "newer")
    assert all_due(one, 60.0) == []
    assert all_due(one, 61.0) == [3]
    one.connected(62.0)
    assert all_due(one, 62.0) == [3]
    one.receipt(receipt(3), 62.1)
    assert all_due(one, 62.1) == [4, 5, 6, 7, 8, 9]


def test_a_block_that_cannot_be_read_here_is_told() -> None:
    one = sending(3)
    assert one.due(0.0) == [1, 2, 3]
    one.failed("row 4 is not as it was written", 0.0)
    assert (one.problem, one.words) == ("unreadable_here", "row 4 is not as it was written")
    assert one.due(1.0) == []
    assert one.due(60.0) == [1]


def test_a_journal_without_a_block_is_through_when_it_is_sealed() -> None:
    one = Sending(JOURNAL)
    one.sealed(0)
    assert one.final


def test_blocks_are_learned_in_order() -> None:
    with pytest.raises(ValueError, match="block 3 does not follow block 1"):
        sending(1).learn([block(3)])


# ------------------------------------------------------------------------------------------------------- by property


@dataclass
class Shop:
    """A collector as the contract describes it: stores in order, keeps aside what is out of order, answers all."""

    through: int = 0
    sealed: bool = False
    stored: list[int] = field(default_factory=list)
    aside: set[int] = field(default_factory=set)

    def hear(self, n: int, seal: bool) -> ReceiptMessage:
        if n > self.through:
            self.aside.add(n)
        while self.through + 1 in self.aside:
            self.through += 1
            self.aside.discard(self.through)
            self.stored.append(self.through)
        if seal and n == self.through:
            self.sealed = True
        wanted = tuple(k for k in range(self.through + 1, max(self.aside, default=0)) if k not in self.aside)
        return receipt(self.through, sealed=self.sealed, wanted=wanted[:4])

    def die(self) -> None:
        self.aside.clear()


FOREIGN = ReceiptMessage(t=0.0, journal="e" * 32, blocks=3, through=30, head=block(3).hash.hex(), sealed=True)
UNFITTING = ReceiptMessage(t=0.0, journal=JOURNAL, blocks=3, through=30, head=block(4).hash.hex(), sealed=True)
REFUSED = receipt(0, problem="unknown")
TROUBLE = st.sampled_from(
    ["lose", "lose", "double", "late", "pass", "pass", "pass", "shop dies", "station dies", "cut", "foreign",
     "unfitting", "refused", "block", "wait", "wait long"]
)  # fmt: skip


@example(first=1, more=1, sealed=True, troubles=["lose", "wait", "lose"])  # times that do not add up exactly
@settings(max_examples=150, deadline=None)
@given(first=st.integers(0, 8), more=st.integers(0, 8), sealed=st.booleans(), troubles=st.lists(TROUBLE, max_size=80))
def test_everything_arrives_once_and_the_marker_never_leads(
    first: int, more: int, sealed: bool, troubles: list[str]
) -> None:
    shop, now, known = Shop(), 0.0, first
    one = sending(first)
    is_sealed = False
    way_there: list[tuple[int, bool]] = []
    way_back: list[ReceiptMessage] = []
    kept: ReceiptMessage | None = None  # retained by the broker: said again at each connection

    def check() -> None:
        assert one.through <= 10 * shop.through
        assert not one.final or shop.sealed
        assert one.on_their_way <= PACE.blocks + shop.through + known

    def turn(how: str) -> None:
        """One block leaves for good or ill, what arrived is answered, and answers come back or not."""
        nonlocal kept
        for n in one.due(now):
            one.sent(n, 100, now)
            way_there.append((n, is_sealed and n == known))
        if how == "lose" and way_there:
            way_there.pop(0)
        elif how == "late" and len(way_there) > 1:
            way_there.append(way_there.pop(0))
        elif way_there:
            n, seal = way_there.pop(0)
            for _ in range(2 if how == "double" else 1):
                kept = shop.hear(n, seal)
                way_back.append(kept)
        if how == "lose" and way_back:
            way_back.pop()
        elif how == "late" and len(way_back) > 1:
            way_back.append(way_back.pop(0))
        elif way_back:
            one.receipt(way_back.pop(0), now)

    for trouble in troubles:
        now += 0.3
        if trouble == "block" and known < first + more:
            known += 1
            one.learn([block(known)])
        elif trouble == "shop dies":
            shop.die()
            way_there.clear()
        elif trouble in ("station dies", "cut"):
            way_back.clear()
            if trouble == "station dies":
                one = sending(known, through=one.through)
            one.connected(now)
            if kept is not None:
                one.receipt(kept, now)
        elif trouble in ("foreign", "unfitting", "refused"):
            before = one.through
            said = {"foreign": FOREIGN, "unfitting": UNFITTING, "refused": REFUSED}[trouble]
            assert not one.receipt(said, now)
            assert one.through == before
            assert not one.final
        elif trouble.startswith("wait"):
            now += 100.0 if "long" in trouble else 4.0
        turn(trouble)
        check()
    one.learn(block(n) for n in range(known + 1, first + more + 1))
    known = first + more
    if sealed:
        is_sealed = True
        one.sealed(known)
    # no more trouble: it ends, though by waiting alone
    for _ in range(400):
        if not one.waiting and not way_back:
            break
        turn("pass")
        check()
        if not way_there and not way_back and not (after := one.due(now)):
            now = one.deadline(now) or now
        elif not way_there and not way_back:
            for n in after:
                one.sent(n, 100, now)
                way_there.append((n, is_sealed and n == known))
    assert shop.stored == list(range(1, known + 1))
    assert one.waiting == 0
    assert one.through == 10 * known
    assert one.final == sealed


@settings(max_examples=100, deadline=None)
@given(
    blocks=st.integers(1, 12),
    silence=st.lists(st.floats(0.1, 40.0), max_size=12),
    heard_after=st.floats(0.0, 60.0),
    others=st.lists(st.floats(0.01, 7.0), max_size=12),
)
def test_an_answer_for_another_journal_ends_long_patience_and_costs_no_more_than_one_block_each_time(
    blocks: int, silence: list[float], heard_after: float, others: list[float]
) -> None:
    """A collector was away and is back: what it says of one journal brings the others within `quiet_s`."""
    one, now = sending(blocks), 0.0
    all_due(one, now)
    last = now
    for wait in silence:
        now += wait
        if all_due(one, now):
            last = now
    now += heard_after
    one.answered()
    # at once when it waited that long already, else when it will have
    due = one.deadline(now)
    assert due is None or due <= max(now, last + PACE.quiet_s)
    if now >= last + PACE.quiet_s:
        assert all_due(one, now) == [1]
        last = now
    # however often others are answered, this one is tried once in `quiet_s`
    for wait in others:
        now += wait
        one.answered()
        if again := all_due(one, now):
            assert again == [1]
            assert now >= last + PACE.quiet_s
            last = now
        assert now < last + PACE.quiet_s
    assert one.through == 0
