"""Guess the clock of a recorder: which column, in which unit, or at which rate samples are counted."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.importing.propose.source import Guess, Source, open_guess
from faultml.importing.propose.words import load_words, tokens, unit_in

Array = NDArray[np.float64]

RATES_HZ: Final = (40.0, 2000.0)
PER_S: Final = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}
_FORMATS: Final = (
    "%d.%m.%Y %H:%M:%S.%f",
    "%d.%m.%Y %H:%M:%S,%f",
    "%d/%m/%Y %H:%M:%S.%f",
    "%m/%d/%Y %H:%M:%S.%f",
    "%Y/%m/%d %H:%M:%S.%f",
    "%d-%m-%Y %H:%M:%S.%f",
    "%H:%M:%S.%f",
)
_RATE = re.compile(
    r"(?:rate|freq\w*|fs|abtast\w*|sampl\w*|hz)\D{0,30}?(\d+(?:[.,]\d+)?)(?:\s*hz)?|(\d+(?:[.,]\d+)?)\s*hz",
    re.I,
)


@dataclass(frozen=True)
class Clock:
    """Seconds of each row as far as they are known, else None, and what the proposal says of them."""

    t_s: Array | None
    column: str
    guesses: list[Guess]


def guess_clock(source: Source) -> Clock:
    """The clock of a file."""
    for name, stamps in source.stamps.items():
        clock = _datetime_clock(name, stamps, "", "the spreadsheet or table holds stamps there")
        if clock is not None:
            return clock
    for name in source.names:
        if name not in source.numbers and name not in source.stamps:
            clock = _text_stamps(source, name)
            if clock is not None:
                return clock
    words = load_words().names
    stated = [name for name in source.numbers if set(tokens(source.titles[name])) & words.time]
    named = [name for name in stated if _runs_on(source, name)]
    counters = [
        name
        for name in source.numbers
        if set(tokens(source.titles[name])) & words.samples and name not in named and _counts(source, name)
    ]
    found = named or [] if counters else named or [n for n in source.numbers if _runs_on(source, n)]
    units = {name: _unit(source, name) for name in found}
    if len(found) > 1:
        found = [name for name in found if units[name][0] != "?"] or found
    if len(found) > 1:
        found = [name for name in found if not _counts(source, name)] or found
    if not found:
        return _by_samples(source, counters)
    name = found[0]
    unit, doubt, reason = units[name]
    how = "named so and it runs on" if name in stated else "no name says so; it alone runs on evenly"
    column = Guess("time.column", name, "sure" if name in stated else "likely", how)
    if unit == "?":
        question = f"What is the unit of {name!r}: s, ms, us, ns, or samples (then say time.rate_hz)?"
        return Clock(None, name, [open_guess("time.unit", reason, question), column])
    unit_guess = Guess("time.unit", unit, "sure" if doubt == "sure" else "likely", reason)
    return Clock(source.numbers[name] / PER_S[unit], name, [unit_guess, column])


def steps_of(source: Source, values: Array) -> Array:
    """Steps of a column within a swing, where rows are swings, else all; only those forward."""
    steps = np.diff(values)
    if source.row is not None:
        steps = steps[np.diff(source.row) == 0]
    return steps[np.isfinite(steps)]


def _runs_on(source: Source, name: str) -> bool:
    """Whether a column goes forward nearly always, in steps that are mostly alike."""
    steps = steps_of(source, source.numbers[name])
    if len(steps) < 5:
        return False
    forward = steps[steps > 0]
    if len(forward) < 0.9 * len(steps):
        return False
    middle = float(np.median(forward))
    return bool((np.abs(forward - middle) <= 0.6 * middle).mean() > 0.8)


def _counts(source: Source, name: str) -> bool:
    steps = steps_of(source, source.numbers[name])
    return bool(len(steps) > 4 and (steps == 1).mean() > 0.9)


def _unit(source: Source, name: str) -> tuple[str, str, str]:
    """The unit of a numeric clock, how sure it is, and why."""
    forward = steps_of(source, source.numbers[name])
    step = mean_step(forward[forward > 0])
    stated = unit_in(source.titles[name], PER_S, source.units.get(name, ""))
    fitting = [unit for unit, per_s in PER_S.items() if RATES_HZ[0] <= per_s / step <= RATES_HZ[1]]
    counted = bool((forward == 1).mean() > 0.9)
    size = f"steps of {step:.6g}"
    if stated:
        rate = PER_S[stated] / step
        if stated in fitting:
            return stated, "sure", f"the name says {stated}; {size} are {rate:.4g} Hz"
        return "?", "open", f"the name says {stated}, but {size} would be {rate:.4g} Hz"
    if len(fitting) == 1 and not counted:
        unit = fitting[0]
        return (
            unit,
            "likely",
            f"{size} are {PER_S[unit] / step:.4g} Hz in {unit}; no other unit gives 40 to 2000 Hz",
        )
    if counted:
        return "?", "open", "steps of 1: milliseconds at 1000 Hz, or a number of the sample"
    return "?", "open", f"{size} fit no unit at 40 to 2000 Hz"


def mean_step(forward: Array) -> float:
    """The mean step without gaps: a clock of rounded stamps has no even ones."""
    return float(forward[forward <= 3 * np.median(forward)].mean())


def _by_samples(source: Source, counters: list[str]) -> Clock:
    guesses = []
    if counters:
        guesses.append(
            Guess("time.unit", "samples", "sure", f"no clock, but {counters[0]!r} counts the samples")
        )
        guesses.append(Guess("time.column", counters[0], "sure", "it goes up by one each row"))
    else:
        guesses.append(Guess("time.unit", "samples", "likely", "no column runs on as a clock does"))
    rates = stated_rates(source)
    if len(rates) == 1:
        rate, line = next(iter(rates.items()))
        guesses.append(Guess("time.rate_hz", rate, "sure", f"above the table stands {line!r}"))
    else:
        why = (
            "nothing in the file tells the rate"
            if not rates
            else f"several rates are stated: {sorted(rates)}"
        )
        guesses.append(open_guess("time.rate_hz", why, "How many samples a second does the recorder take?"))
        return Clock(None, counters[0] if counters else "", guesses)
    count = source.numbers[counters[0]] if counters else np.arange(len(source), dtype=float)
    if not counters and source.row is not None:
        count = count - np.searchsorted(source.row, source.row)
    return Clock(count / rate, counters[0] if counters else "", guesses)


def stated_rates(source: Source) -> dict[float, str]:
    """Sampling rates that the lines above the table tell, with their lines."""
    found: dict[float, str] = {}
    for line in source.preamble:
        for match in _RATE.finditer(line):
            rate = float((match.group(1) or match.group(2)).replace(",", "."))
            if RATES_HZ[0] <= rate <= RATES_HZ[1]:
                found.setdefault(rate, line)
    return found


def _text_stamps(source: Source, name: str) -> Clock | None:
    cells = pd.Series(source.cells[name], dtype=object).dropna().astype(str).str.strip()
    some = cells.iloc[:: max(1, len(cells) // 50)]
    if len(some) < 3 or not some.str.contains(r"\d:\d\d", regex=True).all():
        return None
    for form in ("", *_FORMATS):
        stamps = _parse(some, form)
        if stamps is not None:
            every = pd.to_datetime(cells, format=form or "ISO8601", errors="coerce")
            if every.isna().mean() < 0.02 and len(every) == len(source):
                shown = form or "ISO 8601"
                return _datetime_clock(name, pd.DatetimeIndex(every), form, f"its cells are stamps ({shown})")
    return None


def _parse(cells: pd.Series, form: str) -> pd.Series | None:
    try:
        return pd.to_datetime(cells, format=form or "ISO8601")
    except (ValueError, TypeError, OverflowError):
        return None


def _datetime_clock(name: str, stamps: pd.DatetimeIndex, form: str, reason: str) -> Clock | None:
    if stamps.tz is not None:
        stamps = stamps.tz_convert("UTC").tz_localize(None)
    t_s = np.where(stamps.isna(), np.nan, (stamps - stamps.min()).total_seconds())
    steps = np.diff(t_s)
    steps = steps[np.isfinite(steps)]
    forward = steps[steps > 0]
    if len(forward) < 0.8 * len(steps) or not len(forward):
        return None
    rate = 1 / mean_step(forward)
    if not RATES_HZ[0] <= rate <= RATES_HZ[1]:
        return None
    guesses = [
        Guess("time.unit", "datetime", "sure", f"{reason}, {rate:.4g} a second"),
        Guess("time.column", name, "sure", "its stamps run on"),
    ]
    if form:
        guesses.append(Guess("time.format", form, "sure", "all stamps are written so"))
    return Clock(t_s, name, guesses)
