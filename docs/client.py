"""A client of ``faultml serve`` with nothing but Python's standard library.

Written from the service's own description by ``faultml.pipelines.http_client``. Copy it to where it is needed;
docs/http.md shows how it is used.
"""

# fmt: off
from __future__ import annotations

import json
import os
import secrets
import urllib.error
import urllib.parse
import urllib.request
from typing import Any, Literal, NotRequired, TypedDict, cast


class Problem(Exception):
    """The server's refusal: its problem document, and how long to wait before the next try (0: do not)."""

    def __init__(self, document: ProblemDocument, retry_after_s: float) -> None:
        super().__init__(f"{document['status']} {document['code']}: {document['detail']}")
        self.document = document
        self.retry_after_s = retry_after_s


class Assessed(TypedDict):
    """Every swing, in the order asked; one that could not be assessed says why."""

    model: ModelOut
    catalogue_owner: str
    swings: list[SwingOut]
    problems: list[ProblemOut]


class ClaimedOut(TypedDict):
    """How often a true gain is claimed: share of players in simulated groups of 12, three sessions a side."""

    session_sd_deg: float
    true_gain_deg: float
    claimed: float


class ClaimsOut(TypedDict):
    """What a claim of change can miss, in words and numbers, as the report says it."""

    words: str
    power: list[ClaimedOut]


class DrillGiven(TypedDict):
    """A drill to be given."""

    drill: str
    """Its id or its name."""
    fault: NotRequired[str]
    """For which fault; empty: the drill's first."""
    since: NotRequired[str]
    """ISO date or session; empty: the day of the plan, as `GET .../plan` has it."""
    balls_a_week: NotRequired[int | None]
    hurts: NotRequired[str]
    """`none` where the player was asked today; empty where nobody asked."""


class DrillNoted(TypedDict):
    """A drill that was noted, and how much of it care allows."""

    player: str
    drill: str
    name: str
    fault: str
    since: str
    dose: str
    new: bool


class DrillOut(TypedDict):
    """A row of the table ``drills``, with the drill as the book has it (null where there is none)."""

    rank: int | None
    drill: str
    priority: float | None
    care: str
    confidence: str
    notes: list[str]
    faults: list[str]
    window_fault: str
    window_channel: str
    window_reference: str
    window_from: str
    window_to: str
    window_must: str
    window_side: str
    window_bound_deg: float | None
    window_guard_deg: float | None
    window_max_sd: float | None
    dose: str
    retest: str
    retest_due: str
    reason: str
    book: EntryOut | None


class Entries(TypedDict):
    """Faults or drills, whose they are, and what holds for everybody who practises."""

    owner: str
    sha256: str
    care: list[str]
    entries: list[EntryOut]


class EntryOut(TypedDict):
    """A fault or a drill as the coach reads it; `lines` says everything about it by its label."""

    id: str
    part: Literal["faults", "drills"]
    name: str
    words: str
    lines: dict[str, str | list[str]]


class FaultOut(TypedDict):
    """A row of the table ``faults``."""

    fault: str
    status: str
    reason: str
    probability: float | None
    call: str
    flagged: bool
    promised: float | None
    measure: float | None
    severity: float | None
    severity_lo: float | None
    severity_hi: float | None
    unit: str
    edge: float | None
    edge_owner: str
    measure_sd: float | None
    guard_chance: float | None
    onset_phase: str
    onset_at: float | None


class Health(TypedDict):
    """The program runs."""

    status: Literal["ok"]
    version: str


class JobOut(TypedDict):
    """A season that was uploaded."""

    id: str
    state: Literal["waiting", "running", "done", "failed", "interrupted"]
    progress: float
    """Share of the swings that have been assessed."""
    swings: int
    assessed: int
    problems: list[JobProblem]
    reason: str
    """Why it failed, or what a person should know; else empty."""
    results: list[str]
    """Names of the results that are there."""
    uploaded_at: str
    """ISO 8601, UTC."""
    ended_at: str
    """ISO 8601, UTC; empty until it has ended."""


class JobProblem(TypedDict):
    """How often something is wrong in the files, in the order in which they were found."""

    file: str
    code: str
    count: int


class JobsOut(TypedDict):
    """Every season that is kept, in the order of uploads."""

    seasons: list[JobOut]


class Label(TypedDict):
    """A verdict that was kept."""

    player: str
    session: str
    swing: str
    fault: str
    verdict: str
    severity: float | None
    unit: str
    coach: str
    occasion: str
    when: str
    comment: str


class LabelIn(TypedDict):
    """A coach's verdict on one fault of one swing."""

    player: str
    session: str
    swing: str
    fault: str
    verdict: Literal["yes", "no", "unsure", "retract"]
    coach: str
    severity: NotRequired[float | None]
    """How far past the edge, in the fault's unit."""
    unit: NotRequired[Literal["", "deg", "share"]]
    occasion: NotRequired[str]
    when: NotRequired[str]
    """ISO 8601, UTC; empty: now."""
    comment: NotRequired[str]


class Labels(TypedDict):
    """A part of the verdicts; `total` of all."""

    total: int
    labels: list[Label]


class LabelsIn(TypedDict):
    """Verdicts to keep, all of them or none."""

    labels: list[LabelIn]


class LabelsKept(TypedDict):
    """How many verdicts were new, and how many only said what already held."""

    added: int
    already: int


class ModelOut(TypedDict):
    """Which model answered."""

    name: str
    version: str
    sha256: str


class PlanOut(TypedDict):
    """A row of the table ``plans``."""

    player: str
    on: str
    state: str
    since: str
    drill: str
    fault: str
    reason: str
    words: str
    next_check: str
    given: str
    counted_from: str
    practice_days: int | None
    sets_done: float | None
    sets_planned: float | None
    free_swings: int | None
    free_sessions: int | None
    gain: float | None
    gain_lo: float | None
    gain_hi: float | None
    unit: str
    retest_on: str
    retest_inside: int | None
    retest_swings: int | None
    next_drill: str
    next_fault: str
    returned: list[str]
    ask: list[str]


class PlayerDrills(TypedDict):
    """A player's drills, rank 1 the one to work on next; rank 0 is none, and its reason and notes say why."""

    player: str
    classified_at: str
    care: list[str]
    drills: list[DrillOut]


class PlayerPlanOut(TypedDict):
    """Which drill a player is on on a day: state, reason, since when, and what is counted."""

    player: str
    care: list[str]
    plan: PlanOut
    claims: ClaimsOut


class ProblemOut(TypedDict):
    """Something wrong with a swing as it was sent."""

    player: str
    session: str
    swing: str
    code: str
    expected: str
    found: str


class Ready(TypedDict):
    """The model is loaded, and every kernel compiled."""

    status: Literal["ready"]
    version: str
    model: ModelOut


class Recorded(TypedDict):
    """It was recorded."""

    recorded: bool


class StatementIn(TypedDict):
    """What a player says of pain, earlier trouble or age, or a return to practice."""

    about: str
    """pain, none, practised, return, birth_year, experienced, name (the roster's name is nobody recorded),
    or a history: ulnar_history, thumb_history, elbow_history, nerve_history, hamate_history.
    """
    value: NotRequired[str]
    """Where it hurts; `yes` or `no` to a history or `experienced`; the year of birth."""
    said_on: NotRequired[str]
    """ISO date; empty: today."""
    by: NotRequired[str]
    """Who records it."""
    role: NotRequired[str]
    """Of a return: as what, a role of docs/care.md such as coach."""
    advice: NotRequired[str]
    """Of a return: on whose advice, `role` or `role: name`."""
    guardian: NotRequired[str]
    """Of a return: the guardian of a player under 16."""


class SwingOut(TypedDict):
    """A row of the table ``swings``, with its rows of ``faults``."""

    player: str
    session: str
    swing: str
    hand: str
    club: str
    context: str
    shot: list[str]
    assessed: bool
    reason: str
    findings: list[str]
    takeaway_s: float | None
    top_s: float | None
    impact_s: float | None
    finish_s: float | None
    takeaway_sd_s: float | None
    top_sd_s: float | None
    impact_sd_s: float | None
    finish_sd_s: float | None
    impact_marked: bool
    impact_from: str
    timing_offset_s: float | None
    coach_landmarks: list[str]
    tempo: float | None
    address_flexion_deg: float | None
    address_ulnar_deg: float | None
    address_pronation_deg: float | None
    closure_backswing_bend_deg: float | None
    closure_backswing_roll_deg: float | None
    closure_downswing_bend_deg: float | None
    closure_downswing_roll_deg: float | None
    closure_release_bend_deg: float | None
    closure_release_roll_deg: float | None
    closure_total_deg: float | None
    closure_backswing_bend_sd_deg: float | None
    closure_backswing_roll_sd_deg: float | None
    closure_downswing_bend_sd_deg: float | None
    closure_downswing_roll_sd_deg: float | None
    closure_release_bend_sd_deg: float | None
    closure_release_roll_sd_deg: float | None
    closure_total_sd_deg: float | None
    late_save: bool
    late_save_probability: float | None
    faults: list[FaultOut]


class Watch(TypedDict):
    """Whether a season is like what its model has learned from."""

    compared: bool
    too_few: int
    recorders: list[WatchedRecorder]
    impacts: dict[str, int]
    impacts_say: str


class WatchedFeature(TypedDict):
    """One feature that is not as in training."""

    feature: str
    words: str
    outside: float
    psi: float
    psi_by_chance: float
    ks: float
    unlike: bool
    shifted: bool


class WatchedRecorder(TypedDict):
    """The swings of one kind of recording."""

    rate_hz: int
    marked: bool
    forearm: bool
    swings: int
    players: int
    known: bool
    features: list[WatchedFeature]
    says: str
    needs_swings: int
    needs_players: int


class SwingIn(TypedDict):
    """A swing, with the names, units and signs of the season table. A sample that is missing is null."""

    t_s: list[float | None]
    """Sample times, s, strictly increasing."""
    flexion_deg: list[float | None]
    """Lead wrist, degrees: + flexion (bowed), - extension (cupped)."""
    ulnar_deg: list[float | None]
    """Degrees: + ulnar (unhinged), - radial deviation (hinged)."""
    pronation_deg: NotRequired[list[float | None] | None]
    """Forearm, degrees: + pronation; null: not recorded."""
    impact_s: NotRequired[float | None]
    """Contact, s, where the recorder marks it."""
    impact_sd_s: NotRequired[float | None]
    """How surely it is marked, SD, s, 0 to 0.1."""
    impact_from: NotRequired[Literal["recorder", "shock", "coach"] | None]
    """What marked it; null: the recorder."""
    mounting_sd_deg: NotRequired[float | None]
    """How surely the sensor's turn is known, SD, degrees."""
    declared_rate_hz: NotRequired[float | None]
    """Samples a second that the recorder states."""
    player: NotRequired[str | None]
    session: NotRequired[str | None]
    swing: NotRequired[str | None]
    hand: NotRequired[Literal["right", "left"] | None]
    club: NotRequired[str | None]
    context: NotRequired[Literal["play", "practice", "retest"] | None]
    shot: NotRequired[list[str] | None]
    """What the ball did: words of the season table."""


class AssessIn(TypedDict):
    """Swings to assess."""

    swings: list[SwingIn]


class FieldError(TypedDict):
    """What is wrong with one field."""

    part: str
    pointer: str
    detail: str


class ProblemDocument(TypedDict):
    """A problem, as RFC 9457 has it; ``type`` is always ``about:blank``, ``code`` says what it is."""

    type: str
    title: str
    status: int
    code: str
    detail: str
    errors: NotRequired[list[FieldError]]


class Client:
    """Asks one server; by default the one that FAULTML_SERVER and FAULTML_TOKEN name, else this machine's."""

    def __init__(self, server: str = "", token: str = "", timeout_s: float = 60.0) -> None:
        self.server = (server or os.environ.get("FAULTML_SERVER", "http://127.0.0.1:8765")).rstrip("/")
        self.token = token or os.environ.get("FAULTML_TOKEN", "")
        self.timeout_s = timeout_s

    def ask(
        self, method: str, path: str, query: dict[str, Any] | None = None, body: bytes | None = None, kind: str = ""
    ) -> bytes:
        """The answer's body; raises `Problem` where the server refuses, OSError where there is none."""
        given = {name: json.dumps(each) if isinstance(each, bool) else each for name, each in (query or {}).items()}
        text = urllib.parse.urlencode({name: each for name, each in given.items() if each is not None})
        request = urllib.request.Request(f"{self.server}{path}{'?' if text else ''}{text}", body, method=method)
        if kind:
            request.add_header("content-type", kind)
        if self.token:
            request.add_header("authorization", f"Bearer {self.token}")
        try:
            with urllib.request.urlopen(request, timeout=self.timeout_s) as answer:
                return cast(bytes, answer.read())
        except urllib.error.HTTPError as error:
            if error.headers.get_content_type() != "application/problem+json":
                raise
            document = cast(ProblemDocument, json.loads(error.read()))
            raise Problem(document, float(error.headers.get("retry-after", "0"))) from None

    def healthz(self) -> Health:
        """The program runs. Needs no token."""
        answer = self.ask("GET", "/healthz")
        return cast(Health, json.loads(answer))

    def readyz(self) -> Ready:
        """The model is ready. Which model it is, by its hash; 503 until it is ready. Needs no token."""
        answer = self.ask("GET", "/readyz")
        return cast(Ready, json.loads(answer))

    def assess(self, body: AssessIn) -> Assessed:
        """Assess one or many swings. Swings as JSON, or as Parquet in the season table's format. Nothing of them
        is kept.
        """
        content = json.dumps(body).encode()
        answer = self.ask("POST", "/v1/assess", body=content, kind="application/json")
        return cast(Assessed, json.loads(answer))

    def seasons(self) -> JobsOut:
        """Every season that is kept. In the order of uploads, those of other servers that share the spool
        included.
        """
        answer = self.ask("GET", "/v1/seasons")
        return cast(JobsOut, json.loads(answer))

    def upload_season(self, season: list[bytes], roster: bytes | None = None) -> JobOut:
        """Upload a season to be classified. A season table as one Parquet or long CSV file, or a form with
        several and a roster. Without a roster nobody has said whether anything hurts, and every drill says:
        ask first.
        """
        files: list[tuple[str, bytes]] = []
        files += [("season", each) for each in season]
        files += [("roster", roster)] if roster is not None else []
        body, kind = _form(files)
        answer = self.ask("POST", "/v1/seasons", body=body, kind=kind)
        return cast(JobOut, json.loads(answer))

    def season(self, season: str) -> JobOut:
        """How far a season is. State, progress, what is wrong in the files, and which results there are."""
        answer = self.ask("GET", f"/v1/seasons/{_name(season)}")
        return cast(JobOut, json.loads(answer))

    def remove_season(self, season: str) -> None:
        """Remove a season and everything of it. Ends it where it runs."""
        self.ask("DELETE", f"/v1/seasons/{_name(season)}")

    def season_result(
        self,
        season: str,
        file: Literal["swings.parquet", "faults.parquet", "players.parquet", "drills.parquet", "retests.parquet",
            "curves.parquet", "problems.csv", "run.json", "explanations.json", "report.html"],
    ) -> bytes:
        """Fetch one file of a season's results. The tables are described in docs/columns.md; the page comes as a
        file to be saved. What holds drills is asked of care again: 409 where that has changed since the
        season was classified.
        """
        return self.ask("GET", f"/v1/seasons/{_name(season)}/results/{_name(file)}")

    def season_watch(self, season: str) -> Watch:
        """Whether a season is like what the model knows. For each kind of recorder: which features are unlike
        training, and what a retraining would need.
        """
        answer = self.ask("GET", f"/v1/seasons/{_name(season)}/watch")
        return cast(Watch, json.loads(answer))

    def faults(self, player: str = "") -> Entries:
        """Every fault of the catalogue. How each is measured, where its edge is and whose that is, and what it
        does to the ball.
        """
        query = {"player": player}
        answer = self.ask("GET", "/v1/faults", query=query)
        return cast(Entries, json.loads(answer))

    def drills(self) -> Entries:
        """Every drill of the book. Steps, window, dose and re-test of each. Which one a player may do, the
        player's own drills tell.
        """
        answer = self.ask("GET", "/v1/drills")
        return cast(Entries, json.loads(answer))

    def player_drills(self, player: str) -> PlayerDrills:
        """A player's drills. From the results the server was started with, else from the season that was
        classified last. The care check is asked again, with what roster and store say now. Rank 1 is the one
        to work on next; where `care` is `show`, something has to be asked before it is given. Rank 0 means
        none: `reason` and `notes` say why.
        """
        answer = self.ask("GET", f"/v1/players/{_name(player)}/drills")
        return cast(PlayerDrills, json.loads(answer))

    def give_drill(self, player: str, body: DrillGiven) -> DrillNoted:
        """Note that a player was given a drill. Asks the care check first: 409 where the player is paused, or
        where something has to be asked first. An answer in `hurts` other than `none` is recorded as said
        today.
        """
        content = json.dumps(body).encode()
        answer = self.ask("POST", f"/v1/players/{_name(player)}/drills", body=content, kind="application/json")
        return cast(DrillNoted, json.loads(answer))

    def record_statement(self, player: str, body: StatementIn) -> Recorded:
        """Record what a player says of pain, earlier trouble or age. Statements are added and never changed. On
        the same day pain wins; a return lies on a later day than the pain.
        """
        content = json.dumps(body).encode()
        answer = self.ask("POST", f"/v1/players/{_name(player)}/statements", body=content, kind="application/json")
        return cast(Recorded, json.loads(answer))

    def player_plan(self, player: str, on: str | None = None) -> PlayerPlanOut:
        """A player's plan. State, reason and since when, from the server's results and store up to a day.
        `start`, `carry on`, `change`, `done`, `waits` or `returned`. What came later than the day is not
        looked at.
        """
        query = {"on": on}
        answer = self.ask("GET", f"/v1/players/{_name(player)}/plan", query=query)
        return cast(PlayerPlanOut, json.loads(answer))

    def labels(
        self,
        player: str | None = None,
        coach: str | None = None,
        history: bool = False,
        offset: int = 0,
    ) -> Labels:
        """Verdicts that were kept. In the order of time, from `offset` on, as many as one answer may hold."""
        query = {"player": player, "coach": coach, "history": history, "offset": offset}
        answer = self.ask("GET", "/v1/labels", query=query)
        return cast(Labels, json.loads(answer))

    def keep_labels(self, body: LabelsIn) -> LabelsKept:
        """Keep verdicts, all of them or none. A later verdict of the same coach holds instead of an earlier one,
        which stays on record.
        """
        content = json.dumps(body).encode()
        answer = self.ask("POST", "/v1/labels", body=content, kind="application/json")
        return cast(LabelsKept, json.loads(answer))


def _form(files: list[tuple[str, bytes]]) -> tuple[bytes, str]:
    """Files as the body of a form, and its media type."""
    mark = secrets.token_hex(16)
    parts = [
        f'--{mark}\r\ncontent-disposition: form-data; name="{name}"; filename="{name}"\r\n\r\n'.encode() + content
        for name, content in files
    ]
    return b"\r\n".join([*parts, f"--{mark}--\r\n".encode()]), f"multipart/form-data; boundary={mark}"


def _name(value: str) -> str:
    """A name as a part of a path."""
    return urllib.parse.quote(value, safe="")
