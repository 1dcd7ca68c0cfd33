"""Contact marks from what a recorder's sensor felt, for the swings of a file that nothing else marks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pyarrow as pa

from faultml.channels import ID_COLUMNS
from faultml.motion.contact import ACCELERATION, ANGULAR_RATE, find_shock
from faultml.motion.window import make_windows
from faultml.recordings.problems import Problem, swing_problem
from faultml.recordings.raw import RawSwings
from faultml.recordings.schema import IMPACT_COLUMN, IMPACT_FROM_COLUMN, IMPACT_SD_COLUMN
from faultml.recordings.swings import SwingBatch


def with_shocks(
    raw: RawSwings, checked: SwingBatch, report: Callable[[Problem], None], *, accelerations: bool
) -> RawSwings:
    """The swings with ``impact_s``, ``impact_sd_s`` and ``impact_from`` where a shock of contact is found.

    Parameters
    ----------
    raw
        As read, with `RawSwings.sensed`; a mark of the recorder's own stays.
    checked
        The same swings, checked: where the wrist is fastest is read from these.
    report
        Called with the problem of each swing whose signal cannot be in its unit.
    accelerations
        Whether accelerations were sensed, and not angular rates.
    """
    assert raw.sensed is not None
    marks = {
        name: raw.table[name].to_pylist() for name in (IMPACT_COLUMN, IMPACT_SD_COLUMN, IMPACT_FROM_COLUMN)
    }
    fastest_s = make_windows(checked).anchor_s
    ends, rules = np.cumsum(raw.lengths), ACCELERATION if accelerations else ANGULAR_RATE
    for row in np.flatnonzero(checked.n_samples > 0):
        if marks[IMPACT_COLUMN][row] is not None:
            continue
        span = slice(ends[row] - raw.lengths[row], ends[row])
        shock = find_shock(raw.t_s[span], raw.sensed[:, span], float(fastest_s[row]), rules)
        if shock.seen == "unit":
            file, line, *ids = (raw.table[name][row].as_py() for name in ("file", "row", *ID_COLUMNS))
            expected = (
                "gravity at rest, in m/s2 or g" if accelerations else "a wrist's rates, in deg/s or rad/s"
            )
            found = (
                f"{np.nanquantile(np.linalg.norm(raw.sensed[:, span], axis=0), 0.25):.3g} for a quarter of it"
            )
            report(swing_problem(file, line, ids, "sensed-unit", expected, found))
        if shock.marked:
            marks[IMPACT_COLUMN][row], marks[IMPACT_SD_COLUMN][row] = shock.at_s, shock.sd_s
            marks[IMPACT_FROM_COLUMN][row] = "shock"
    table = raw.table
    for name, values in marks.items():
        place = table.schema.get_field_index(name)
        table = table.set_column(
            place, table.schema.field(name), pa.array(values, table.schema.field(name).type)
        )
    return replace(raw, table=table)
