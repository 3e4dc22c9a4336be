"""A clamp that goes from wire to wire, in the engine: from its readings to a placement taken, or to a question.

What is taken is an output (`question`, state taken); the station then journals the placement as an input of its own, so
that a placement has one form on record, whoever made it. A question stays open when the clamp has gone on: answered
later, the readings of that grab are no longer to be had, and the sheet asks for the point again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lineset.contract import entry as e
from lineset.engine.state import ChannelState, EngineState, SystemState
from lineset.equipment.display import shown
from lineset.equipment.language import sayer
from lineset.equipment.points import PointError, point
from lineset.equipment.points import title as point_title
from lineset.equipment.walk import walking_order
from lineset.visit import words_roaming as words
from lineset.visit.conductors import READ_BEFORE, expected
from lineset.visit.roaming import Candidate, Likely, RoamState, clear, level_of, push, weigh
from lineset.visit.run import RunState
from lineset_drivers.quantity import Quantity

# Quantity -> what is as good as nothing, and below what nothing is taken without asking [SI].
_LEVELS: dict[Quantity, tuple[float, float]] = {
    Quantity.CURRENT: (0.12, 0.5),
    Quantity.VOLTAGE: (6.0, 12.0),
    Quantity.CAPACITANCE: (0.2e-6, 0.5e-6),
}
_CHOICES = 4
# Prior of a conductor: the next one on the walk, one still wanted, one that has settled in this phase already, and one
# that can carry nothing now.
_NEXT, _WANTED, _HAD, _DEAD = 3.0, 1.0, 0.25, 0.02
_ELSEWHERE = 0.03  # of a system that nobody spoke of last: hands are at one system at a time
_OUTDOOR = frozenset(
    "compressor_common_current outdoor_fan_current herm_lead_current fan_capacitor_lead_current "
    "capacitor_herm_voltage capacitor_fan_voltage".split()
)
_BENCH = frozenset("herm_capacitance fan_capacitance blower_capacitance".split())
SEPARATOR = "/"


def introduce(channels: Mapping[str, ChannelState], *, roams: bool) -> None:
    """Mark the channels of an instrument that goes from wire to wire."""
    for channel in channels.values():
        watched = roams and Quantity(channel.record.quantity) in _LEVELS
        if watched and channel.roam is None:
            channel.roam = RoamState()
        elif not watched:
            channel.roam = None


def hear(state: EngineState, instrument: str, channel: ChannelState, t: int, value: float) -> list[e.OutputBody]:
    """Take one good reading [SI] of a roaming channel."""
    roam = channel.roam
    if roam is None or not state.visit:
        return []
    quantity = Quantity(channel.record.quantity)
    nothing, least = _LEVELS[quantity]
    what = push(roam, t, value, nothing)
    if not what:
        return []
    if what == "grab":
        out = withdraw(state, instrument, channel.record.name, words.AGAIN)
        if channel.point and not roam.awaited:
            out.append(_left(state, instrument, channel, words.AGAIN))
        roam.awaited = False
        return out
    if what == "release":
        if channel.point and not _stopped_with_it(state, channel):
            return [_left(state, instrument, channel, words.LET_GO)]
        return []
    if channel.point:
        return []  # where it is, is known
    return [_look(state, instrument, channel, quantity, level_of(roam), least)]


def _stopped_with_it(state: EngineState, channel: ChannelState) -> bool:
    """Whether the zero is that of a motor that stopped, for all that is known: then the clamp stays where it is."""
    system = state.systems.get(channel.system)
    if system is None or channel.point.partition(".")[0] not in _OUTDOOR:
        return False  # what runs apart from the outdoor unit: nothing says that it was switched off
    return system.run.state is not RunState.RUNNING


def placed(state: EngineState, instrument: str, channel: ChannelState, body: e.Placed) -> list[e.OutputBody]:
    """A placement went on record: what was asked of the channel is asked no more."""
    if channel.roam is None:
        return []
    channel.roam.awaited = bool(body.point) and not channel.roam.on
    if body.by == BY_READINGS:
        return []
    return withdraw(state, instrument, channel.record.name, words.PLACED_BY_HAND)


BY_READINGS = "readings"  # who places what was taken without asking


def withdraw(state: EngineState, instrument: str, channel: str, reason: str) -> list[e.OutputBody]:
    """The open questions of a channel are none any more."""
    out: list[e.OutputBody] = []
    for id_, question in list(state.questions.items()):
        if (question.instrument, question.channel) == (instrument, channel):
            del state.questions[id_]
            out.append(_closed(question, "withdrawn", reason=sayer(state.language)(reason)))
    return out


def answered(state: EngineState, body: e.Answered) -> list[e.OutputBody]:
    """A person answered; the station journals what follows from it."""
    question = state.questions.pop(body.question, None)
    return [] if question is None else [_closed(question, "answered", answer=body.answer)]


def _closed(question: e.Questioned, as_: str, *, reason: str = "", answer: str = "") -> e.Questioned:
    return e.Questioned(
        id=question.id,
        state=as_,
        system=question.system,
        about=question.about,
        text=question.text,
        choices=question.choices,
        instrument=question.instrument,
        channel=question.channel,
        proposal=question.proposal,
        reason=reason,
        answer=answer,
    )


def _id(instrument: str, channel: ChannelState) -> str:
    number = channel.roam.grab if channel.roam is not None else 0
    return f"{instrument}-{channel.record.name}-{number}"[-64:]


def _left(state: EngineState, instrument: str, channel: ChannelState, reason: str) -> e.Questioned:
    return e.Questioned(
        id=_id(instrument, channel),
        state="taken",
        system=channel.system,
        about="release",
        text="",
        instrument=instrument,
        channel=channel.record.name,
        proposal="",
        reason=sayer(state.language)(reason),
    )


def _look(
    state: EngineState, instrument: str, channel: ChannelState, quantity: Quantity, level: float, least: float
) -> e.OutputBody:
    say = sayer(state.language)
    weighed = weigh(level, list(_candidates(state, instrument, channel, quantity)))
    found = clear(level, weighed, least)
    value = shown(level, quantity, state.units, say=say)
    if found is not None:
        return e.Questioned(
            id=_id(instrument, channel),
            state="taken",
            system=found.system,
            about="placement",
            text="",
            instrument=instrument,
            channel=channel.record.name,
            proposal=f"{found.system}{SEPARATOR}{found.point}",
            reason=say(words.FITS).format(value=value, point=point_title(found.point, say)),
        )
    reason = words.LITTLE if level < least else words.SEVERAL if _plausible(weighed) else words.NONE
    question = e.Questioned(
        id=_id(instrument, channel),
        state="open",
        system=_plausible(weighed)[0].candidate.system if _plausible(weighed) else next(iter(state.systems), ""),
        about="placement",
        text=say(words.WHICH).format(instrument=instrument, value=value),
        choices=(
            *(
                e.Choice(
                    id=f"{each.candidate.system}{SEPARATOR}{each.candidate.point}",
                    text=_named(state, each.candidate.system, each.candidate.point),
                )
                for each in weighed[:_CHOICES]
            ),
            e.Choice(id="released", text=say(words.RELEASED)),
            e.Choice(id="both", text=say(words.BOTH)),
            e.Choice(id="other", text=say(words.OTHER)),
        ),
        instrument=instrument,
        channel=channel.record.name,
        proposal=f"{weighed[0].candidate.system}{SEPARATOR}{weighed[0].candidate.point}" if weighed else "",
        reason=say(reason).format(value=value),
    )
    state.questions[question.id] = question
    return question


def _plausible(weighed: list[Likely]) -> list[Likely]:
    return [each for each in weighed if each.probability >= 0.05]


def _named(state: EngineState, system: str, point_name: str) -> str:
    called = point_title(point_name, sayer(state.language))
    return called if len(state.systems) == 1 else f"{state.systems[system].record.title or system}: {called}"


def _candidates(state: EngineState, instrument: str, channel: ChannelState, quantity: Quantity) -> Iterator[Candidate]:
    for id_, system in state.systems.items():
        ranges = expected(system.record)
        names = [name for name in ranges if _of(name, quantity) and _free(system, name, instrument, channel)]
        names.sort(key=walking_order)
        unread = [name for name in names if not _had(system, name)]
        names = _one_of_a_kind(names, unread)
        for name in names:
            centre, spread = ranges[name]
            place = system.points.get(name)
            if place is not None and place.held is not None and place.held > 0.0:
                centre, spread = place.held, READ_BEFORE
            prior = _NEXT if unread and name == unread[0] else _WANTED if name in unread else _HAD
            if not _alive(system, state.phase, name):
                prior = _DEAD
            if state.at and state.at != id_:
                prior *= _ELSEWHERE
            yield Candidate(id_, name, centre, spread, prior)


def _one_of_a_kind(names: list[str], unread: list[str]) -> list[str]:
    """Of equal loads (heat strips) the first that is still wanted: which is called the second is nobody's business."""
    found: dict[str, str] = {}
    for name in (*unread, *names):
        found.setdefault(name.partition(".")[0], name)
    return [name for name in names if name in found.values()]


def _of(name: str, quantity: Quantity) -> bool:
    try:
        return point(name).quantity is quantity
    except PointError:
        return False


def _free(system: SystemState, name: str, instrument: str, channel: ChannelState) -> bool:
    """Whether no other channel sits there."""
    place = system.points.get(name)
    return place is None or not place.channel or (place.instrument, place.channel) == (instrument, channel.record.name)


def _had(system: SystemState, name: str) -> bool:
    place = system.points.get(name)
    return place is not None and place.held is not None and place.held_epoch == system.run.epoch


def _alive(system: SystemState, phase: str, name: str) -> bool:
    """Whether the conductor may carry anything now: outdoors only while the system runs, on the bench never."""
    base = name.partition(".")[0]
    if base in _BENCH:
        return phase in ("work", "at_rest") or system.run.state is RunState.STOPPED
    if base in _OUTDOOR:
        return system.run.state in (RunState.RUNNING, RunState.STARTING, RunState.UNKNOWN)
    return True
