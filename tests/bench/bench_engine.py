"""What the fold costs: samples/s through it, samples/s of a replay, and a detector's push beside a plain recomputation.

    python tests/bench/bench_engine.py [--minutes N] [--repeat N] [--json]

The visit is invented: two pressures, two pipe temperatures and power of a system that starts, at four frames a second.
Everything runs in this process, the rivals in the same run; the least of the repeats counts. Asserts nothing.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import time
from collections.abc import Callable

from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset.engine.replay import replay
from lineset.equipment.system import SystemRecord
from lineset.measure.settle import detector
from lineset_drivers.frame import Sample
from lineset_drivers.quantity import Quantity

NS = 1_000_000_000
EVERY_S = 0.25
Input = tuple[int, e.InputBody]


def the_visit(minutes: float) -> tuple[list[Input], int]:
    """The entries of the invented visit, with their times in ns, and how many samples they carry."""

    def channel(name: str, quantity: str, unit: str, absolute: float, resolution: float) -> e.ChannelRecord:
        return e.ChannelRecord(name=name, quantity=quantity, unit=unit, absolute=absolute, resolution=resolution)

    def introduced(name: str, *channels: e.ChannelRecord) -> e.Introduced:
        return e.Introduced(instrument=name, profile="p", profile_sha256="", channels=channels)

    chance = random.Random(1)
    entries: list[Input] = [
        (
            0,
            e.Opened(
                station="s", visit="v", wall_ns=1_790_000_000 * NS, version="0", fingerprint="bench",
                systems=(SystemRecord(id="main", refrigerant="R-410A"),),
            ),
        ),
        (
            0,
            introduced(
                "gauges",
                channel("low", "pressure_gauge", "psig", 1.0, 0.1),
                channel("high", "pressure_gauge", "psig", 2.0, 0.1),
            ),
        ),
        (
            0,
            introduced(
                "pipes", channel("t1", "temperature", "degF", 1.0, 0.1), channel("t2", "temperature", "degF", 1.0, 0.1)
            ),
        ),
        (0, introduced("meter", channel("power", "power", "W", 10.0, 1.0))),
    ]  # fmt: skip
    for instrument, name, point in (
        ("gauges", "low", "vapor_service_pressure"),
        ("gauges", "high", "liquid_service_pressure"),
        ("pipes", "t1", "vapor_line_temperature"),
        ("pipes", "t2", "liquid_line_temperature"),
        ("meter", "power", "power"),
    ):
        entries.append((0, e.Placed(instrument=instrument, channel=name, system="main", point=point)))
    samples = 0
    for n in range(1, round(minutes * 60 / EVERY_S)):
        t_s = n * EVERY_S
        pulled = 1.0 - math.exp(-(t_s - 60.0) / 90.0) if t_s > 60.0 else 0.0
        frames: tuple[tuple[str, dict[str, tuple[float, str]]], ...] = (
            (
                "gauges",
                {
                    "low": (round(190.0 - 60.0 * pulled + chance.gauss(0, 0.2), 1), "psig"),
                    "high": (round(190.0 + 180.0 * pulled + chance.gauss(0, 0.3), 1), "psig"),
                },
            ),
            (
                "pipes",
                {
                    "t1": (round(75.0 - 20.0 * pulled + chance.gauss(0, 0.1), 1), "degF"),
                    "t2": (round(75.0 + 20.0 * pulled + chance.gauss(0, 0.1), 1), "degF"),
                },
            ),
            ("meter", {"power": (2500.0 + chance.gauss(0, 5) if t_s > 60.0 else 0.0, "W")}),
        )
        for k, (instrument, values) in enumerate(frames):
            sent = tuple(Sample(name, value, unit) for name, (value, unit) in values.items())
            samples += len(sent)
            entries.append((round((t_s + 0.01 * k) * NS), e.Framed(instrument=instrument, raw=b"", samples=sent)))
    return entries, samples


def least(repeat: int, work: Callable[[], object]) -> float:
    """Least seconds of CPU that `work` took."""
    taken = []
    for _ in range(repeat):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return min(taken)


def fold(entries: list[Input]) -> None:
    """Push everything, take the live values as the daemon does."""
    engine = Engine("bench")
    for seq, (t, body) in enumerate(entries, 1):
        engine.push(seq, t, body)
        engine.take_live()


def recorded(entries: list[Input]) -> list[tuple[int, int, str, bytes]]:
    """The rows that a journal of the visit holds."""
    engine, rows, seq = Engine("bench"), [], 0
    for t, body in entries:
        seq += 1
        rows.append((seq, t, e.kind_of(body), e.encode(body)))
        for output in engine.push(seq, t, body):
            seq += 1
            rows.append((seq, t, e.kind_of(output), e.encode(output)))
    return rows


def replayed(rows: list[tuple[int, int, str, bytes]]) -> None:
    """Replay and compare, entry for entry."""
    differences = list(replay(Engine("bench"), rows))
    if differences:
        raise SystemExit(f"the replay differs in {len(differences)} entries: {differences[0]}")


def stream(seconds: float, every_s: float) -> list[tuple[int, float]]:
    """A temperature with noise that settles and stays."""
    chance = random.Random(2)
    count = round(seconds / every_s)
    return [
        (round(n * every_s * NS), 10.0 + 5.0 * math.exp(-n * every_s / 30.0) + chance.gauss(0, 0.03))
        for n in range(count)
    ]


def pushed(samples: list[tuple[int, float]]) -> None:
    """Our detector over a stream."""
    watch = detector(Quantity.TEMPERATURE, resolution=0.05)
    assert watch is not None
    for t, x in samples:
        watch.push(t, x)


def recomputed(samples: list[tuple[int, float]], window_s: float = 60.0) -> None:
    """The plain way: a line through the whole window, fitted anew at each sample."""
    window: list[tuple[float, float]] = []
    for t_ns, x in samples:
        t = t_ns * 1e-9
        window.append((t, x))
        while window[0][0] < t - window_s:
            window.pop(0)
        n = len(window)
        if n < 3:
            continue
        mean_t = sum(at for at, _ in window) / n
        mean_x = sum(value for _, value in window) / n
        s_tt = sum((at - mean_t) ** 2 for at, _ in window)
        slope = sum((at - mean_t) * (value - mean_x) for at, value in window) / s_tt
        math.sqrt(sum((value - mean_x - slope * (at - mean_t)) ** 2 for at, value in window) / (n - 2))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=15.0, help="length of the visit")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    entries, samples = the_visit(args.minutes)
    rows = recorded(entries)
    table: dict[str, float] = {
        "fold, samples/s": samples / least(args.repeat, lambda: fold(entries)),
        "replay with decoding and comparing, samples/s": samples / least(args.repeat, lambda: replayed(rows)),
    }
    engine = Engine("bench")
    for seq, (t, body) in enumerate(entries, 1):
        engine.push(seq, t, body)
    snapshot = engine.snapshot()
    table["snapshot, bytes"] = len(snapshot)
    table["snapshot, ms"] = 1e3 * least(args.repeat, engine.snapshot)
    table["restore, ms"] = 1e3 * least(args.repeat, lambda: Engine.restore(snapshot))
    for every_s in (1.0, 0.25, 0.05):
        sent = stream(240.0, every_s)
        ours, plain = least(args.repeat, lambda: pushed(sent)), least(1, lambda: recomputed(sent))  # noqa: B023
        rate = f"{1 / every_s:g} samples/s"
        table[f"detector at {rate}, us a push"] = 1e6 * ours / len(sent)
        table[f"whole window recomputed at {rate}, us a sample"] = 1e6 * plain / len(sent)
        table[f"recomputed : detector at {rate}"] = plain / ours
    if args.json:
        print(json.dumps(table, indent=1))
        return
    print(f"a visit of {args.minutes:g} minutes, {samples} samples, {len(rows)} rows on record")
    for name, value in table.items():
        print(f"{name:58s} {value:12,.2f}")


if __name__ == "__main__":
    main()
