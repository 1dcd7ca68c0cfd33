"""Swings out of a request's body: JSON or Parquet, checked against the limits before anything is made of them."""

from __future__ import annotations

import io
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import ValidationError

from faultml.assessing import season_table
from faultml.errors import InputError
from faultml.recordings.columns import check_columns
from faultml.recordings.schema import KNOWN_COLUMNS, SAMPLE_COLUMNS, TIME_COLUMN
from faultml.service.answers import AssessIn
from faultml.service.json_bodies import read_json
from faultml.service.problems import MAX_ERRORS, Refusal, invalid
from faultml.service.settings import Limits

JSON: Final = "application/json"
PARQUET: Final = ("application/vnd.apache.parquet", "application/octet-stream")
WORD_BYTES: Final = 4000
"""What a swing may hold beside its samples."""


def read_body(body: bytes, media_type: str, limits: Limits) -> pa.Table:
    """A season table of the swings in a body.

    Raises
    ------
    Refusal
        415 for another media type, 422 for what is not as described or over a limit.
    InputError
        Where the table does not fit.
    """
    kind = media_type.partition(";")[0].strip().lower()
    if kind == JSON:
        return _of_json(body, limits)
    if kind in PARQUET:
        return _of_parquet(body, limits)
    raise unknown_type((JSON, *PARQUET))


def unknown_type(known: tuple[str, ...]) -> Refusal:
    """The refusal of a media type that is not read."""
    return Refusal(415, "unknown-media-type", f"Content-Type: {' or '.join(known)}.")


def _of_json(body: bytes, limits: Limits) -> pa.Table:
    sent = read_json(body)
    # Counted before anything is made of it: each wrong sample would be an error of its own.
    swings = sent.get("swings") if isinstance(sent, dict) else None
    swings = swings if isinstance(swings, list) else []
    if len(swings) > limits.max_swings:
        raise _too_many_swings(len(swings), limits)
    errors = [
        ("body", f"/swings/{at}/{name}", f"at most {limits.max_samples} samples")
        for at, swing in enumerate(swings)
        for name in SAMPLE_COLUMNS
        if isinstance(swing, dict)
        and isinstance(swing.get(name), list)
        and len(swing[name]) > limits.max_samples
    ]
    if errors:
        raise Refusal(422, "too-many-samples", "A swing is too long.", errors=errors[:MAX_ERRORS])
    try:
        asked = AssessIn.model_validate(sent)
    except ValidationError as error:
        raise invalid(
            error.errors(include_url=False, include_input=False, include_context=False), "body"
        ) from error
    return season_table([vars(swing) for swing in asked.swings])


def _of_parquet(body: bytes, limits: Limits) -> pa.Table:
    try:
        file = pq.ParquetFile(io.BytesIO(body))
        metadata = file.metadata
        if metadata.num_rows > limits.max_swings:
            raise _too_many_swings(metadata.num_rows, limits)
        max_values = limits.max_samples * max(metadata.num_rows, 1)
        groups = [metadata.row_group(at) for at in range(metadata.num_row_groups)]
        chunks = [group.column(at) for group in groups for at in range(group.num_columns)]
        longest_chunk = max((chunk.num_values for chunk in chunks), default=0)
        unpacked = sum(group.total_byte_size for group in groups)
        max_bytes = max_values * 8 * len(SAMPLE_COLUMNS) + WORD_BYTES * max(metadata.num_rows, 1)
        if longest_chunk > max_values or unpacked > max_bytes:
            raise Refusal(422, "unpacks-too-far", "The table is too long once it is unpacked.")
        check_columns(file.schema_arrow, "")
        table = file.read(
            [name for name in file.schema_arrow.names if name in KNOWN_COLUMNS], use_threads=False
        )
        table.validate(full=True)
    except (pa.ArrowException, OSError, ValueError, OverflowError, MemoryError) as error:
        raise InputError("damaged-file", expected="a whole Parquet file") from error
    if not len(table):
        raise InputError("no-rows", expected="a row for each swing", found="columns without rows")
    lengths = table[TIME_COLUMN].combine_chunks()
    if pa.types.is_list(lengths.type) and max(map(len, lengths.drop_null()), default=0) > limits.max_samples:
        raise Refusal(422, "too-many-samples", f"At most {limits.max_samples} samples a swing.")
    return table


def _too_many_swings(count: int, limits: Limits) -> Refusal:
    detail = f"at most {limits.max_swings} swings, not {count}; a whole season goes to /v1/seasons"
    return Refusal(
        422, "too-many-swings", "Too many swings in one request.", errors=[("body", "/swings", detail)]
    )
