"""Answers to what the engine asks, by command; and placements that the readings themselves made."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.engine.roaming import BY_READINGS, SEPARATOR
from lineset.stream.command import CommandRefused

if TYPE_CHECKING:
    from lineset.station.daemon import Station


def proposal(taken: e.Questioned) -> e.Placed:
    """The placement, or its end, that the readings made."""
    system, _, point_name = taken.proposal.partition(SEPARATOR)
    return e.Placed(instrument=taken.instrument, channel=taken.channel, system=system, point=point_name, by=BY_READINGS)


def answer(station: Station, args: c.Answer, actor: str) -> tuple[str, dict[str, object]]:
    """Answer an open question; a conductor that is named becomes a placement. Raises CommandRefused."""
    questions = station.record.engine.state.questions
    question = questions.get(args.question)
    if question is None:
        open_ = ", ".join(questions) or "none is open"
        raise CommandRefused(
            f"no open question is called {args.question!r} ({open_}); it may have been settled meanwhile"
        )
    choice = next((each for each in question.choices if each.id == args.answer), None)
    if choice is None:
        known = ", ".join(each.id for each in question.choices)
        raise CommandRefused(f"{args.answer!r} is no answer to it; use {known}")
    system, slash, point_name = choice.id.partition(SEPARATOR)
    if slash:
        why_not = station.record.engine.refuse_placement(question.instrument, question.channel, system, point_name)
        if why_not:
            raise CommandRefused(why_not)
    seq = station.take(e.Answered(question=args.question, answer=args.answer, by=actor))
    if slash:
        station.take(
            e.Placed(
                instrument=question.instrument, channel=question.channel, system=system, point=point_name, by=actor
            )
        )
        told = station.states.get(question.instrument)
        if told is not None:
            station.announcer.instrument(station.record.engine, told)
    return f"noted: {choice.text}", {"question": args.question, "answer": args.answer, "seq": seq}
