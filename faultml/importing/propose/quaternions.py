"""Guess orientation columns: fours of unit length, whose they are, where the scalar stands, and what they turn."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from faultml.importing.propose.source import Doubt, Guess, Source, open_guess
from faultml.importing.propose.words import load_words, tokens

Array = NDArray[np.float64]
Order = Literal["wxyz", "xyzw"]

UNIT_WITHIN: Final = 0.02
MIN_RATIO: Final = 2.0
"""How many times flatter the wrist's turning must be under one reading of the frame than under the other."""

SCALES: Final = (1000.0, 1024.0, 4096.0, 8192.0, 10000.0, 16384.0, 32767.0, 32768.0, 65536.0, 1e6, 2.0**30)
"""Usual lengths of quaternions in whole numbers; practice, no source."""

_PARTS: Final = ("w", "x", "y", "z")


def find_quaternions(source: Source) -> list[list[str]]:
    """Fours of neighbouring columns whose length is one in every row, or of whole numbers with one length in all rows.

    Whole numbers are divided by their length in `source`, so that everybody reads unit quaternions; `scale_of` says
    by what.
    """
    names = [name for name in source.names if name in source.numbers]
    found, at = [], 0
    while at + 4 <= len(names):
        four = names[at : at + 4]
        values = np.array([source.numbers[name] for name in four])
        length = np.sqrt((values**2).sum(axis=0))
        length = length[np.isfinite(length)]
        scale = _scale(values, length)
        if (
            len(length) > 4
            and (np.abs(length / scale - 1) < UNIT_WITHIN).mean() > 0.98
            and np.ptp(values, axis=1).max() > 0.01 * scale
        ):
            found.append(four)
            if scale != 1:
                source.quaternion_scales.add(scale)
                for name in four:
                    source.numbers[name] = source.numbers[name] / scale
            at += 4
        else:
            at += 1
    return found


def _scale(values: Array, length: Array) -> float:
    """The length of quaternions that are whole numbers, 1 for others."""
    finite = values[np.isfinite(values)]
    whole = len(finite) > 0 and bool((finite == np.round(finite)).all()) and np.abs(finite).max() > 1
    if not whole or not len(length):
        return 1.0
    middle = float(np.median(length))
    near = [each for each in SCALES if abs(middle / each - 1) < 2 / each]
    return near[0] if near else float(round(middle)) if middle > 100 else middle


def guess_orientation(source: Source, fours: list[list[str]]) -> Iterator[Guess]:
    """Everything about ``[orientation]``."""
    owners = {name: _owned(source, fours, name) for name in ("forearm", "hand", "upper_arm")}
    if len(fours) == 2 and [owners["forearm"], owners["hand"]].count(None) == 1:
        taken = owners["forearm"] or owners["hand"]
        rest = next(four for four in fours if four is not taken)
        owners["forearm"], owners["hand"] = owners["forearm"] or rest, owners["hand"] or rest
    for name in ("forearm", "hand", "upper_arm"):
        path, four = f"orientation.{name}", owners[name]
        if four is not None:
            yield Guess(f"{path}.columns", four, "sure", "of unit length in every row, and named so")
        elif name != "upper_arm":
            choice = "; ".join(", ".join(each) for each in fours)
            yield open_guess(
                f"{path}.columns",
                f"the names do not say which: {choice}",
                f"Which four columns are the {name}'s?",
            )
        if four is not None or name != "upper_arm":
            why = "how a sensor lies on the limb does not stand in a file"
            for axis, where in (("volar", "out of the palm side"), ("proximal", "toward the elbow")):
                question = (
                    f"Which axis of the {name}'s sensor points {where}, such as +x? Or see faultml align."
                )
                yield open_guess(f"{path}.{axis}", why, question)
    if len(source.quaternion_scales) == 1:
        scale = next(iter(source.quaternion_scales))
        reason = "whole numbers whose length is so in every row: divided by it they are quaternions"
        yield Guess("orientation.scale", scale, "likely", reason)
    elif source.quaternion_scales:
        stated = ", ".join(f"{scale:g}" for scale in sorted(source.quaternion_scales))
        yield open_guess("orientation.scale", f"several lengths: {stated}", "What is a quaternion's length?")
    order, doubt, reason = _order(source, fours)
    question = "Does the scalar stand first (wxyz) or last (xyzw)?"
    yield (
        Guess("orientation.order", order, doubt, reason)
        if order
        else open_guess("orientation.order", reason, question)
    )
    yield _frame(source, owners["forearm"], owners["hand"], order)


def _owned(source: Source, fours: list[list[str]], segment: str) -> list[str] | None:
    names = load_words().names
    words = {"forearm": names.forearm, "hand": names.hand_segment, "upper_arm": names.upper_arm}
    fitting = []
    for four in fours:
        title = {token for name in four for token in tokens(source.titles[name])}
        other = set().union(*(each for key, each in words.items() if key != segment))
        if title & words[segment] and not title & other - words[segment]:
            fitting.append(four)
    return fitting[0] if len(fitting) == 1 else None


def _order(source: Source, fours: list[list[str]]) -> tuple[str, Doubt, str]:
    """Where the scalar stands by the columns' last words: w x y z, or numbers."""
    stated = set()
    for four in fours:
        last = [_part(source.titles[name]) for name in four]
        stated.add("".join(last))
    if stated in ({"wxyz"}, {"xyzw"}):
        return stated.pop(), "sure", "the names end so"
    return "", "open", f"the names end in {', '.join(sorted(stated)) or 'nothing'}, which does not say it"


def _part(title: str) -> str:
    """The component that a name tells by its last word: ``qw``, ``hand_w``, ``HandQuatW``, ``scalar``."""
    last = (tokens(title) or [""])[-1]
    if last in ("scalar", "real"):
        return "w"
    return last[-1] if last[-1:] in _PARTS and (len(last) <= 2 or last[:-1] in ("quat", "q")) else last


def _frame(source: Source, forearm: list[str] | None, hand: list[str] | None, order: str) -> Guess:
    """What a quaternion turns: a wrist turns about two axes fixed in the forearm, under the right reading only."""
    path, question = (
        "orientation.frame",
        ("Does a quaternion turn the segment's axes into the world's (segment-to-world) or the other way?"),
    )
    if forearm is None or hand is None or not order:
        return open_guess(path, "it cannot be tried without both segments and the scalar's place", question)
    read = [_rotations(source, four, order) for four in (forearm, hand)]
    if min(len(each) for each in read) < 20:
        return open_guess(path, "too few samples", question)
    flat = {
        "segment-to-world": _flatness(read[0].inv() * read[1]),
        "world-to-segment": _flatness(read[0] * read[1].inv()),
    }
    better, worse = sorted(flat, key=lambda each: flat[each])
    ratio = flat[worse] / max(flat[better], 1e-9)
    reason = (
        f"read so, the hand turns about two axes of the forearm; else {ratio:.1f} times more about a third"
    )
    if ratio < MIN_RATIO:
        return open_guess(path, f"both readings look alike (ratio {ratio:.1f})", question)
    return Guess(path, better, "likely", reason)


def _rotations(source: Source, four: list[str], order: str) -> Rotation:
    values = np.array([source.numbers[name] for name in four]).T
    if order == "wxyz":
        values = values[:, [1, 2, 3, 0]]
    values = np.where(np.isfinite(values).all(axis=1)[:, None], values, [0, 0, 0, 1.0])
    return Rotation.from_quat(values)


def _flatness(turned: Rotation) -> float:
    """How much of a joint's turning is about a third axis: 0 for a joint of two axes."""
    middle = turned[len(turned) // 2]
    spread = np.linalg.svd((middle.inv() * turned).as_rotvec(), compute_uv=False)
    return float(spread[2] / max(spread[0], 1e-9))
