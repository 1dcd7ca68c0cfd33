"""The store's schema, step by step: a store of any earlier version is brought up to date when it is opened.

A step is never changed once it is out, and is written in plain SQL so that no later definition changes what it
does. To change the schema: append a step here, and change the table's definition where it lives; a test holds both
against each other. **A table that says anything about a player has a text column** ``player``: by it
`faultml.store.people` finds everything about somebody.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from sqlalchemy import Connection

Step = Callable[[Connection], None]


def _verdicts(connection: Connection) -> None:
    """What coaches said about swings; rows are added and, but for a player who is forgotten, never changed."""
    connection.exec_driver_sql(
        """
        CREATE TABLE verdicts (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            player TEXT NOT NULL, session TEXT NOT NULL, swing TEXT NOT NULL, fault TEXT NOT NULL,
            verdict TEXT NOT NULL CHECK (verdict IN ('yes', 'no', 'unsure', 'retract')),
            severity REAL CHECK (severity >= 0), unit TEXT NOT NULL DEFAULT '',
            coach TEXT NOT NULL, occasion TEXT NOT NULL, "when" TEXT NOT NULL, comment TEXT NOT NULL DEFAULT ''
        )
        """
    )
    connection.exec_driver_sql("CREATE INDEX verdicts_by_swing ON verdicts (player, session, swing, fault)")
    connection.exec_driver_sql(
        """
        CREATE TRIGGER verdicts_stay BEFORE UPDATE ON verdicts
        BEGIN SELECT RAISE(ABORT, 'verdicts are added, never changed'); END
        """
    )


def _people(connection: Connection) -> None:
    """Who was forgotten, and whose labels a model has learned from: tokens, no names."""
    connection.exec_driver_sql("CREATE TABLE secrets (name TEXT PRIMARY KEY, value BLOB NOT NULL)")
    connection.exec_driver_sql("INSERT INTO secrets VALUES ('people', randomblob(32))")
    connection.exec_driver_sql("CREATE TABLE forgotten (token TEXT PRIMARY KEY, at TEXT NOT NULL)")
    connection.exec_driver_sql(
        """
        CREATE TABLE trained_on (
            bundle_sha256 TEXT NOT NULL, token TEXT NOT NULL, at TEXT NOT NULL,
            PRIMARY KEY (bundle_sha256, token)
        )
        """
    )


def _assignments(connection: Connection) -> None:
    """Which drill was given to whom, for which fault, and from when on."""
    connection.exec_driver_sql(
        """
        CREATE TABLE assignments (
            player TEXT NOT NULL, drill TEXT NOT NULL, fault TEXT NOT NULL, since TEXT NOT NULL,
            balls_a_week INTEGER CHECK (balls_a_week > 0), "when" TEXT NOT NULL,
            PRIMARY KEY (player, drill, fault, since)
        )
        """
    )


def _care(connection: Connection) -> None:
    """What was said about players' bodies, added and never changed; since when the roster's cells say so."""
    connection.exec_driver_sql(
        """
        CREATE TABLE statements (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            player TEXT NOT NULL, about TEXT NOT NULL, value TEXT NOT NULL, said_on TEXT NOT NULL,
            by TEXT NOT NULL DEFAULT '', role TEXT NOT NULL DEFAULT '', advice TEXT NOT NULL DEFAULT '',
            guardian TEXT NOT NULL DEFAULT '', recorded_at TEXT NOT NULL
        )
        """
    )
    connection.exec_driver_sql("CREATE INDEX statements_by_player ON statements (player, about)")
    connection.exec_driver_sql(
        """
        CREATE TRIGGER statements_stay BEFORE UPDATE ON statements
        BEGIN SELECT RAISE(ABORT, 'statements are added, never changed'); END
        """
    )
    connection.exec_driver_sql(
        """
        CREATE TABLE roster_cells (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            player TEXT NOT NULL, text TEXT NOT NULL, seen_on TEXT NOT NULL, gone_on TEXT
        )
        """
    )
    connection.exec_driver_sql("CREATE INDEX roster_cells_by_player ON roster_cells (player)")


def _plan_notes(connection: Connection) -> None:
    """What was practised, and from when on a player's angles cannot be compared with earlier ones."""
    connection.exec_driver_sql(
        """
        CREATE TABLE practice_days (
            player TEXT NOT NULL, drill TEXT NOT NULL, day TEXT NOT NULL,
            sets INTEGER NOT NULL CHECK (sets > 0), balls INTEGER CHECK (balls >= 0), "when" TEXT NOT NULL,
            PRIMARY KEY (player, drill, day)
        )
        """
    )
    connection.exec_driver_sql(
        """
        CREATE TABLE baselines (
            player TEXT NOT NULL, day TEXT NOT NULL, why TEXT NOT NULL CHECK (why IN ('sensor', 'grip')),
            "when" TEXT NOT NULL,
            PRIMARY KEY (player, day, why)
        )
        """
    )


def _other_faults(connection: Connection) -> None:
    """Faults that coaches saw and the catalogue lacks; rows are added, a later ``retract`` takes one back."""
    connection.exec_driver_sql(
        """
        CREATE TABLE other_faults (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            player TEXT NOT NULL, session TEXT NOT NULL, swing TEXT NOT NULL, name TEXT NOT NULL,
            verdict TEXT NOT NULL CHECK (verdict IN ('yes', 'retract')), note TEXT NOT NULL DEFAULT '',
            coach TEXT NOT NULL, "when" TEXT NOT NULL
        )
        """
    )
    connection.exec_driver_sql(
        """
        CREATE TRIGGER other_faults_stay BEFORE UPDATE ON other_faults
        BEGIN SELECT RAISE(ABORT, 'other faults are added, never changed'); END
        """
    )


def _landmarks(connection: Connection) -> None:
    """Landmarks that coaches have moved on single swings; rows are added, a later ``undo`` takes the last one back."""
    connection.exec_driver_sql(
        """
        CREATE TABLE moved_landmarks (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            player TEXT NOT NULL, session TEXT NOT NULL, swing TEXT NOT NULL,
            landmark TEXT NOT NULL CHECK (landmark IN ('takeaway', 'top', 'impact')),
            action TEXT NOT NULL CHECK (action IN ('move', 'undo')),
            at_s REAL NOT NULL, found_s REAL NOT NULL, coach TEXT NOT NULL, "when" TEXT NOT NULL
        )
        """
    )
    connection.exec_driver_sql(
        "CREATE INDEX moved_landmarks_by_swing ON moved_landmarks (player, session, swing)"
    )
    connection.exec_driver_sql(
        """
        CREATE TRIGGER moved_landmarks_stay BEFORE UPDATE ON moved_landmarks
        BEGIN SELECT RAISE(ABORT, 'moved landmarks are added, never changed'); END
        """
    )


def _remembered(connection: Connection) -> None:
    """What else the roster's cells say, whom results have held, and who was taken in again: tokens, no names."""
    connection.exec_driver_sql("ALTER TABLE roster_cells ADD COLUMN about TEXT NOT NULL DEFAULT 'pain'")
    connection.exec_driver_sql("CREATE TABLE recorded_players (player TEXT PRIMARY KEY, since TEXT NOT NULL)")
    connection.exec_driver_sql("CREATE TABLE readmitted (token TEXT PRIMARY KEY, at TEXT NOT NULL)")


def _player_names(connection: Connection) -> None:
    """Two spellings of one player; rows are added, a later ``apart`` takes one back."""
    connection.exec_driver_sql(
        """
        CREATE TABLE player_names (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            player TEXT NOT NULL, name TEXT NOT NULL,
            says TEXT NOT NULL CHECK (says IN ('same', 'apart')),
            by TEXT NOT NULL, "when" TEXT NOT NULL
        )
        """
    )
    connection.exec_driver_sql(
        """
        CREATE TRIGGER player_names_stay BEFORE UPDATE ON player_names
        BEGIN SELECT RAISE(ABORT, 'names are added, never changed'); END
        """
    )


def _cells_recorded_at(connection: Connection) -> None:
    """When a store first saw a text of the roster; NULL of those that were there before."""
    connection.exec_driver_sql("ALTER TABLE roster_cells ADD COLUMN recorded_at TEXT")


def _trainings(connection: Connection) -> None:
    """The last verdict that was there when a model was learned, so that it can be learned anew from the same."""
    connection.exec_driver_sql(
        "CREATE TABLE trainings (bundle_sha256 TEXT PRIMARY KEY, last_verdict INTEGER NOT NULL, at TEXT NOT NULL)"
    )


def _practice_sets(connection: Connection) -> None:
    """Sets of a drill that were done with a sensor, and how much feedback they had."""
    connection.exec_driver_sql(
        """
        CREATE TABLE practice_sets (
            player TEXT NOT NULL, drill TEXT NOT NULL, day TEXT NOT NULL, number INTEGER NOT NULL,
            feedback_share REAL NOT NULL, repetitions INTEGER NOT NULL, judged INTEGER NOT NULL,
            inside INTEGER NOT NULL, guesses INTEGER NOT NULL, guesses_right INTEGER NOT NULL,
            balls INTEGER NOT NULL, "when" TEXT NOT NULL, PRIMARY KEY (player, drill, day, number)
        )
        """
    )


def _impact_timing(connection: Connection) -> None:
    """By how much contact marks come after the inferred impact: made anew from a season whenever it is learned from."""
    connection.exec_driver_sql(
        """
        CREATE TABLE impact_timing (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            player TEXT NOT NULL, session TEXT NOT NULL, swing TEXT NOT NULL, club TEXT NOT NULL,
            recorder TEXT NOT NULL, detector TEXT NOT NULL, off_s REAL NOT NULL, sd_s REAL NOT NULL,
            placed_by TEXT NOT NULL, "when" TEXT NOT NULL
        )
        """
    )
    connection.exec_driver_sql("CREATE INDEX impact_timing_by_session ON impact_timing (player, session)")


MIGRATIONS: Final[tuple[Step, ...]] = (
    _verdicts,
    _people,
    _assignments,
    _care,
    _plan_notes,
    _other_faults,
    _landmarks,
    _remembered,
    _player_names,
    _cells_recorded_at,
    _trainings,
    _practice_sets,
    _impact_timing,
)
"""Step n makes version n out of version n - 1."""
