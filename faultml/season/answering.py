"""Answer requests for partitions, in any process: the frozen inputs are loaded once, and must be the run's own."""

from __future__ import annotations

import logging
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from faultml.classifier.assess import Assessor
from faultml.errors import BundleError, CatalogueError, FaultmlError, WorkerError
from faultml.recordings.fragments import Fragment
from faultml.recordings.repeats import Repeats
from faultml.season.batch import BatchTables
from faultml.season.inputs import Inputs, Versions, load_inputs, versions_of
from faultml.season.messages import Answer
from faultml.season.partition import assess_partition, refuse_partition
from faultml.season.parts import Partition

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Answering:
    """What one process needs to assess the partitions of a run.

    Attributes
    ----------
    inputs, repeats, assessor
        The frozen inputs, and the model loaded from them.
    out
        The folder of parts.
    """

    inputs: Inputs
    repeats: Repeats
    assessor: Assessor
    out: Path

    def assess(self, fragment: Fragment, on_batch: Callable[[BatchTables], None] | None = None) -> Partition:
        """`assess_partition` with the run's inputs."""
        return assess_partition(
            fragment,
            self.out,
            assessor=self.assessor,
            repeats=self.repeats,
            buckets=self.inputs.buckets,
            table_format=self.inputs.table_format,
            corrections=self.inputs.corrections,
            batch_size=self.inputs.batch_size,
            on_batch=on_batch,
        )

    def refuse(self, fragment: Fragment) -> Partition | None:
        """`refuse_partition` with the run's inputs; None where not even the ids can be read any more."""
        try:
            return refuse_partition(
                fragment,
                self.out,
                assessor=self.assessor,
                repeats=self.repeats,
                buckets=self.inputs.buckets,
                table_format=self.inputs.table_format,
                batch_size=self.inputs.batch_size,
            )
        except Exception:
            log.exception("the ids of a lost partition cannot be read: %s", fragment.place)
            return None

    def answer(self, fragment: Fragment) -> Answer:
        """The same; an error is an answer too."""
        try:
            return Answer(self.assess(fragment))
        except OSError as error:
            return Answer(
                error=f"the part cannot be written: {error.strerror or error}",
                code="not-writable",
                stops=True,
            )
        except (BundleError, CatalogueError) as error:
            return Answer(error=str(error), code=error.code, stops=True)
        except Exception as error:
            # Places only: the message of an error may repeat what stands in a recording.
            sys.stderr.write("".join(traceback.format_tb(error.__traceback__)))
            return Answer(error=type(error).__name__, code="partition-failed")


def load_answering(out: Path) -> Answering:
    """Load what a run has frozen in its folder of parts.

    Raises
    ------
    FaultmlError
        Where it cannot be loaded; `WorkerError` ``other-versions`` where code, model, catalogue or packages are not
        those of the process that began the run.
    """
    inputs, repeats = load_inputs(out)
    assessor = inputs.assessor()
    check_versions(inputs.versions, versions_of(assessor.bundle, assessor.catalogue))
    return Answering(inputs, repeats, assessor, out)


def refusal(error: FaultmlError) -> Answer:
    """The answer of a process that cannot take part."""
    return Answer(error=str(error), code=error.code, stops=True)


def check_versions(wanted: Versions, found: Versions) -> None:
    """Raise where two processes would not assess alike."""
    for part in Versions.__struct_fields__:
        if getattr(wanted, part) != getattr(found, part):
            raise WorkerError(
                "other-versions",
                expected=f"{part} {getattr(wanted, part)[:12]}...",
                found=f"{getattr(found, part)[:12]}...",
            )
