"""The page of all findings, written from ``findings.toml``: ``python -m faultml.quality.page docs/findings.md``."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from textwrap import fill
from typing import Final

from faultml.recordings.findings import Finding, findings

_WIDTH: Final = 110
_INTRO: Final = """\
# Findings

What can be noticed about a recording, by its code. `faultml check` shows them; `classify` puts them into the
`findings` column of `swings`, a refusing one also into `reason`. Nothing in a recording is flipped, scaled or filled
without one.

- **refuse**: the swing is not assessed, and the code is its reason.
- **widen**: the swing is assessed, and everything said of it is less sure by a stated factor.
- **report**: only reported.

Where a check needs something that is not there, its answer is "not applicable".

| code | severity | in words |
|---|---|---|
"""
_NEEDS: Final = {
    "rows": "a file with one row a sample (CSV)",
    "mark": "a contact mark",
    "pronation": "forearm rotation",
    "full-swing": "a full swing",
    "declared-rate": "a rate that the file states",
    "earlier-session": "an earlier session of the player, three assessed swings in both",
    "layout": "a recorder's file read by a layout",
    "run": "`faultml classify` at work",
    "mounting": "a stated `mounting_sd_deg`",
    "coach-landmark": "a landmark moved by a coach",
}


def findings_page() -> str:
    """The page in Markdown; each code is a heading, and so an anchor."""
    known = findings().values()
    rows = [f"| [{each.code}](#{each.code}) | {each.severity} | {each.words} |" for each in known]
    return _INTRO + "\n".join([*rows, "", *(_section(each) for each in known)])


def _section(finding: Finding) -> str:
    needs = f" Needs {_NEEDS[finding.needs]}." if finding.needs else ""
    row = " It has a row in `problems.csv`." if finding.problem else ""
    return "\n".join(
        [
            f"## {finding.code}",
            "",
            _paragraph(f"**{finding.severity}**: {finding.words}."),
            "",
            _paragraph(finding.docs),
            "",
            _paragraph(f"{finding.means}{row}{needs}"),
            "",
        ]
    )


def _paragraph(text: str) -> str:
    """Text in lines, none of which begins as an item of a list does."""
    return re.sub(r"(?m)^([-+] )", r"\\\1", fill(text, _WIDTH))


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(findings_page(), encoding="utf-8")
