"""Every finding has one recording that raises it and one that nearly does and does not."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from season_fakes import fake_season, fake_swing, to_long, write_parquet

from faultml.check import check_season
from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import load_bundle
from faultml.faults.catalogue import load_catalogue
from faultml.quality.page import findings_page
from faultml.recordings.findings import findings
from faultml.recordings.read import open_season

ROOT = Path(__file__).parents[2]
N = len(fake_swing()["t_s"])
LONG_S = {"address_s": 0.8}

Row = dict
Files = Callable[[Path], Path]


def parquet(*rows: Row) -> Files:
    """A season of these swings; what a row does not say is that of a sound swing of its own."""

    def write(folder: Path) -> Path:
        ids = [{"player": "p1", "session": "2026-05-01", "swing": f"{at:03d}"} for at in range(len(rows))]
        frame = pd.DataFrame(
            [{**own, **fake_swing(**LONG_S), **row} for own, row in zip(ids, rows, strict=True)]
        )
        return write_parquet(frame, folder / "season.parquet")

    return write


def with_channel(name: str, change: Callable[[np.ndarray], np.ndarray], **swing: float) -> Row:
    row = fake_swing(**{**LONG_S, **swing})
    return {**row, name: np.asarray(change(np.array(row[name], dtype=float)), dtype=np.float32)}


def flexion(change: Callable[[np.ndarray], np.ndarray], **swing: float) -> Row:
    return with_channel("flexion_deg", change, **swing)


def ulnar(change: Callable[[np.ndarray], np.ndarray], **swing: float) -> Row:
    return with_channel("ulnar_deg", change, **swing)


def pronation(change: Callable[[np.ndarray], np.ndarray], **swing: float) -> Row:
    return with_channel("pronation_deg", change, **swing)


def clock(change: Callable[[np.ndarray], np.ndarray], **swing: float) -> Row:
    row = fake_swing(**{**LONG_S, **swing})
    return {**row, "t_s": change(row["t_s"].copy())}


def put(flat: np.ndarray, at: object, value: object) -> np.ndarray:
    flat[at] = value
    return flat


def every(row: Row, part: slice | np.ndarray) -> Row:
    return {name: flat[part] for name, flat in row.items()}


def without(at: slice) -> Row:
    return {name: np.delete(flat, at) for name, flat in fake_swing(**LONG_S).items()}


def lines(change: Callable[[list[str]], None] = lambda _: None, **columns: object) -> Files:
    """Three swings as a long CSV file, its lines edited."""

    def write(folder: Path) -> Path:
        text = to_long(fake_season(3).assign(**columns)).to_csv(index=False, lineterminator="\n").splitlines()
        change(text)
        path = folder / "season.csv"
        path.write_text("\n".join(text) + "\n")
        return path

    return write


def cell(line: int, column: int, value: str) -> Callable[[list[str]], None]:
    def change(text: list[str]) -> None:
        fields = text[line].split(",")
        fields[column] = value
        text[line] = ",".join(fields)

    return change


def sessions(second_deg: float) -> Files:
    """Two sessions of four swings; in the second flexion stands elsewhere."""
    return parquet(
        *({"session": "s1", "swing": f"{at}"} for at in range(4)),
        *({**flexion(lambda flat: flat + second_deg), "session": "s2", "swing": f"{at}"} for at in range(4)),
    )


def clipped(at_deg_s: float) -> Row:
    rate = np.zeros(500)
    rate[280:310] = 2400 * np.sin(np.linspace(0, np.pi, 30))
    angle = -40 + np.cumsum(np.clip(rate, -at_deg_s, at_deg_s)) / 500
    still = fake_swing(500.0)["flexion_deg"][:500]
    return {"t_s": np.arange(500) / 500, "flexion_deg": still, "ulnar_deg": angle, "pronation_deg": None}


def noise(sd_deg: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda f: f + np.random.default_rng(0).normal(0, sd_deg, len(f))


def ramp(count: int) -> np.ndarray:
    """1 at the start, 0 from 0.6 s on."""
    return np.clip(1 - np.arange(count) / 120, 0, 1)


def jitter(share: float) -> Row:
    row, random = fake_swing(**LONG_S), np.random.default_rng(5)
    t_s = np.cumsum(0.005 * random.choice([1 - share, 1 + share], len(row["t_s"])))
    return {"t_s": t_s, **{name: np.interp(t_s, row["t_s"], row[name]) for name in row if name != "t_s"}}


def regripped(by_deg: float) -> Row:
    """Ulnar deviation moves by so much before the takeaway."""
    return ulnar(lambda flat: flat + by_deg * np.clip((np.arange(len(flat)) - 60) / 80, 0, 1))


def damaged(n_bytes: int) -> Files:
    """A compressed Parquet file with bytes of its last samples overwritten."""

    def write(folder: Path) -> Path:
        path = parquet({}, {})(folder)
        table = pq.read_table(path)
        pq.write_table(table, path, row_group_size=1, compression="snappy")
        group = pq.ParquetFile(path).metadata.row_group(1)
        names = [group.column(at).path_in_schema.split(".")[0] for at in range(group.num_columns)]
        start = group.column(names.index("flexion_deg")).data_page_offset
        content = bytearray(path.read_bytes())
        content[start : start + n_bytes] = b"\xff" * n_bytes
        path.write_bytes(bytes(content))
        return path

    return write


def slid(change: float) -> Row:
    """Flexion that wanders off after the ball, on top of a swing that starts at the far end of its range."""
    row = fake_swing(**LONG_S)
    span = np.linspace(0, 1, len(row["t_s"])) ** 3
    return {
        **row,
        "ulnar_deg": row["ulnar_deg"] + 0 * span,
        "flexion_deg": row["flexion_deg"] + 60 - change * span,
    }


SOUND = parquet({})
BACK = 800 // 5  # samples of the still address at 200 Hz

PUTT: Row = {name: flat if name == "t_s" else flat * 0.1 for name, flat in fake_swing(**LONG_S).items()}

PAIRS: dict[str, tuple[Files, Files]] = {
    "missing-id": (parquet({"swing": ""}), parquet({"swing": "0"})),
    "repeated-id": (parquet({"swing": "a"}, {"swing": "a"}), parquet({"swing": "a"}, {"swing": "A"})),
    "field-count": (lines(cell(100, 4, "1,2")), lines(cell(100, 4, ""))),
    "not-a-number": (lines(cell(100, 4, "1.2.3")), lines(cell(100, 4, "NaN"))),
    "length-mismatch": (
        parquet({"flexion_deg": fake_swing(**LONG_S)["flexion_deg"][:-1]}),
        parquet(every(fake_swing(**LONG_S), slice(0, -1))),
    ),
    "damaged-file": (damaged(200), damaged(0)),
    "channel-missing": (parquet({"flexion_deg": None}, {}), parquet({"pronation_deg": None}, {})),
    "time-missing": (parquet({"t_s": None}, {}), parquet(clock(lambda t: put(t, 40, np.nan)))),
    "not-finite": (
        parquet(flexion(lambda f: put(f, 40, np.inf))),
        parquet(flexion(lambda f: put(f, 40, np.nan))),
    ),
    "time-stands": (
        parquet(clock(lambda t: put(t, 40, t[39]))),
        parquet(clock(lambda t: put(t, 40, t[39] + 1e-4))),
    ),
    "time-runs-back": (
        parquet(clock(lambda t: put(t, 40, t[38]))),
        parquet(clock(lambda t: put(t, 40, t[39] + 1e-6))),
    ),
    "unit-suspected": (
        parquet(flexion(lambda f: np.deg2rad(f))),
        parquet(flexion(lambda f: f * 0.12)),
    ),
    "too-short": (
        parquet(every(fake_swing(), slice(150, 245))),
        parquet(every(fake_swing(), slice(150, 255))),
    ),
    "too-long": (parquet(fake_swing(address_s=58.8)), parquet(fake_swing(address_s=58.0))),
    "low-rate": (parquet(fake_swing(38.0, **LONG_S)), parquet(fake_swing(42.0, **LONG_S))),
    "gap": (
        parquet(flexion(lambda f: put(f, slice(300, 311), np.nan))),
        parquet(flexion(lambda f: put(f, slice(300, 310), np.nan))),
    ),
    "dead-channel": (parquet(flexion(lambda f: 0 * f - 18)), parquet(flexion(lambda f: f * 0.3))),
    "quiet-channel": (
        parquet(flexion(lambda f: -18 + 2.5 * (f + 18) / np.ptp(f))),
        parquet(flexion(lambda f: -18 + 7 * (f + 18) / np.ptp(f))),
    ),
    "frozen-channel": (
        parquet(ulnar(lambda f: np.where(np.arange(len(f)) < 300, f, f[300]))),
        parquet(ulnar(lambda f: np.where(np.arange(len(f)) < 485, f, f[485]))),
    ),
    "outside-human-range": (parquet(ulnar(lambda f: f + 95)), parquet(ulnar(lambda f: f + 75))),
    "outside-range-from-address": (parquet(slid(120.0)), parquet(slid(20.0))),
    "sign-suspected": (parquet(ulnar(lambda f: -f)), parquet(ulnar(lambda f: 8 + 0.4 * (f - 8)))),
    "roll-sign-suspected": (parquet(pronation(lambda f: -f)), parquet(pronation(lambda f: f * 0.5))),
    "side-suspected": (
        parquet({**ulnar(lambda f: -f), "pronation_deg": pronation(lambda f: -f)["pronation_deg"]}),
        parquet(pronation(lambda f: -f)),
    ),
    "flexion-sign-suspected": (parquet(flexion(lambda f: -f)), parquet(flexion(lambda f: f + 30))),
    "no-full-swing": (
        parquet(PUTT),
        SOUND,
    ),
    "layout-suspected": (parquet({}, PUTT, PUTT, PUTT), parquet({}, {}, PUTT, PUTT)),
    "missing-value": (
        parquet(flexion(lambda f: put(f, 300, np.nan))),
        parquet(flexion(lambda f: put(f, 300, 0.5 * (f[299] + f[301])))),
    ),
    "gap-filled": (parquet(without(slice(300, 304))), SOUND),
    "ends-trimmed": (
        parquet(flexion(lambda f: put(f, slice(0, 3), np.nan))),
        parquet(every(fake_swing(**LONG_S), slice(3, None))),
    ),
    "times-rounded": (
        parquet(clock(lambda t: np.round(t, 3), rate_hz=1020.0)),
        parquet(clock(lambda t: np.round(t, 3), rate_hz=1000.0)),
    ),
    "uneven-times": (parquet(jitter(0.8)), parquet(jitter(0.2))),
    "coarse-rate": (parquet(fake_swing(78.0, **LONG_S)), parquet(fake_swing(82.0, **LONG_S))),
    "beyond-common-range": (parquet(ulnar(lambda f: f + 60)), parquet(ulnar(lambda f: f + 40))),
    "beyond-range-from-address": (
        parquet(ulnar(lambda f: 8 + 1.8 * (f - 8))),
        parquet(ulnar(lambda f: 8 + 1.4 * (f - 8))),
    ),
    "noisy": (parquet(flexion(noise(1.5))), parquet(flexion(noise(1.0)))),
    "clipping": (parquet(clipped(2000.0)), parquet(clipped(1500.0))),
    "jump": (
        parquet(flexion(lambda f: f + np.where(np.arange(len(f)) < 400, 0, 30))),
        parquet(flexion(lambda f: f + np.where(np.arange(len(f)) < 400, 0, 15))),
    ),
    "spike": (
        parquet(flexion(lambda f: put(f, slice(60, 62), -f[60] + 10))),
        parquet(flexion(lambda f: put(f, slice(60, 62), f[60] + 10))),
    ),
    "pronation-missing": (parquet({"pronation_deg": None}, {}), SOUND),
    "pronation-unusable": (parquet(pronation(lambda f: 0 * f + 12)), parquet(pronation(lambda f: f * 0.3))),
    "pronation-unwrapped": (
        parquet(pronation(lambda f: (f + 150 + 180) % 360 - 180)),
        parquet(pronation(lambda f: (f + 100 + 180) % 360 - 180)),
    ),
    "unknown-hand": (parquet({"hand": "both"}), parquet({"hand": "LEFT "})),
    "unknown-context": (parquet({"context": "range"}), parquet({"context": "Practice"})),
    "unknown-shot": (parquet({"shot": ["banana"]}), parquet({"shot": ["Hook"]})),
    "impact-outside": (parquet({"impact_s": 9.0}), parquet({"impact_s": 1.86})),
    "impact-unreadable": (lines(impact_s="yes"), lines(impact_s="1.36")),
    "impact-doubt-unreadable": (
        parquet({"impact_s": 1.86, "impact_sd_s": 5.0}),
        parquet({"impact_s": 1.86, "impact_sd_s": 0.005, "impact_from": "Shock"}),
    ),
    "contact-mark-ignored": (parquet({"impact_s": 0.5}), parquet({"impact_s": 1.86})),
    "inconsistent-rows": (lines(cell(100, 7, "1.4"), impact_s=1.36), lines(cell(100, 7, ""), impact_s=1.36)),
    "declared-rate-differs": (parquet({"declared_rate_hz": 210.0}), parquet({"declared_rate_hz": 204.0})),
    "no-still-address": (
        parquet(every(fake_swing(**LONG_S), slice(BACK + 50, None))),
        parquet(every(fake_swing(**LONG_S), slice(BACK - 60, None))),
    ),
    "direction-unclear": (parquet(regripped(35.0)), parquet(regripped(10.0))),
    "flexed-address": (parquet(flexion(lambda f: f + 30)), parquet(flexion(lambda f: f + 20))),
    "address-drift": (sessions(12.0), sessions(6.0)),
    "mounting-unreadable": (parquet({"mounting_sd_deg": -1.0}), parquet({"mounting_sd_deg": 0.0})),
}

ELSEWHERE = {
    "trail-arm": "tests of importing",
    "duplicate-rows": "tests of importing",
    "sensed-unit": "tests of importing",
    "arm-unknown": "tests of importing",
    "coach-landmark-ignored": "tests of moved landmarks",
    "mounting-suspected": "tests of the mounting turn",
    "partition-lost": "tests/e2e/test_partitions.py",
}
"""Findings that a season file cannot raise; their pairs stand with the module that raises them."""


@pytest.fixture(scope="module")
def assessor() -> Assessor:
    return Assessor(load_bundle(), load_catalogue())


def test_every_finding_has_its_pair() -> None:
    assert set(PAIRS) | set(ELSEWHERE) == set(findings())


@pytest.mark.parametrize("code", PAIRS)
def test_raised_by_one_and_nearly_by_the_other(code: str, assessor: Assessor, tmp_path: Path) -> None:
    reported = []
    for name, write in zip(("raises", "nearly"), PAIRS[code], strict=True):
        (tmp_path / name).mkdir()
        check = check_season(open_season([write(tmp_path / name)]), assessor)
        (line,) = (line for line in check.lines if line.finding.code == code)
        reported.append(line.status)
        if line.status == "found":
            assert line.where
            assert line.expected or not line.finding.problem
    assert reported[0] == "found"
    assert reported[1] != "found"


def test_the_page_of_findings_is_as_the_data_say() -> None:
    assert (ROOT / "docs" / "findings.md").read_text(encoding="utf-8") == findings_page(), (
        "write it anew: python -m faultml.quality.page docs/findings.md"
    )
