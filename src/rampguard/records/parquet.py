"""A capture's rows as a Parquet file: a column for each of readings.csv, and one for the run, so that many stack.

Numbers are 64-bit floats, texts are dictionary-encoded, a blank cell is null. Units and descriptions are in each
column's metadata, what is known of the run in the schema's, under the key ``rampguard``, as JSON. The table goes
through in blocks: memory does not grow with it, beyond what is read ahead. Needs pyarrow (the extra ``parquet``).

Parquet's schema metadata: https://parquet.apache.org/docs/file-format/metadata/ (key_value_metadata).
"""

from __future__ import annotations

import csv
import io
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

from rampguard.archive.descriptor import READINGS_NAME, field_of, unit_of
from rampguard.archive.found import FileFound, Found, look
from rampguard.archive.reader import whole_lines
from rampguard.archive.verdict import State, verdict

RUN: Final = "run"
_BLOCK_BYTES: Final = 1 << 20
"""So much of the table is parsed at once; some thirty such blocks are read ahead."""
_GROUP_ROWS: Final = 65_536
"""So many rows, and what is left of a block, become one row group."""
_FACTS: Final = (
    *("title", "created", "outcome", "unit", "load_class", "nameplate_w", "nameplate_v", "mains_v"),
    *("mains_frequency_hz", "series_lamp_w", "clip", "unplugged", "direct_after", "bench", "bench_kind", "clock"),
    *("seed", "program_version"),
)
INSTALL: Final = "--parquet needs pyarrow, which is not installed: pip install 'rampguard[parquet]'"


class ExportRefused(Exception):  # noqa: N818 - what happened
    """The capture cannot be written in that form. The text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Written:
    """What was written."""

    file: Path
    run: str
    rows: int
    columns: int
    state: State

    @property
    def as_message(self) -> dict[str, Any]:
        """As `--json` has it."""
        told = {"file": str(self.file), "run": self.run, "rows": self.rows, "columns": self.columns}
        return told | {"state": str(self.state)}

    @property
    def as_lines(self) -> list[str]:
        """In a line or two."""
        lines = [f"{self.file}: {self.rows} rows, {self.columns} columns; run {self.run}"]
        if self.state is not State.WHOLE:
            lines.append(f"the capture is {self.state}; the file says so, too. rampguard verify tells more")
        return lines


def write_parquet(capture: Path, file: Path) -> Written:
    """Write a capture's rows into a Parquet file, which is there whole or not at all.

    Raises CaptureError, ExportRefused.
    """
    try:
        import pyarrow as pa  # type: ignore[import-untyped]
    except ImportError:
        raise ExportRefused(INSTALL) from None
    found = look(capture)
    if READINGS_NAME not in found.files or not found.files[READINGS_NAME].lines:
        raise ExportRefused(f"{capture}: has no {READINGS_NAME} with a first line; name a capture folder")
    state, run = verdict(found).state, _run(capture, found)
    partial = file.with_name(file.name + ".part")
    try:
        schema = _schema(pa, _names(capture / READINGS_NAME), _about(found, run, state))
        rows = _write(capture / READINGS_NAME, found.files[READINGS_NAME], partial, schema, run)
        os.replace(partial, file)
    except (OSError, UnicodeDecodeError, pa.ArrowInvalid, pa.ArrowKeyError) as error:
        partial.unlink(missing_ok=True)
        raise ExportRefused(f"{file}: not written: {error}") from None
    return Written(file, run, rows, len(schema), state)


def _write(source: Path, table: FileFound, partial: Path, schema: Any, run: str) -> int:
    """Write the whole rows of a table. Returns how many."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv
    from pyarrow import parquet

    rows, waiting = 0, []
    with source.open("rb") as stream, parquet.ParquetWriter(partial, schema, compression="zstd") as writer:
        whole = io.BufferedReader(_Whole(stream, table.bytes - table.since_line_end))
        for batch in arrow_csv.open_csv(pa.PythonFile(whole, mode="r"), *_options(arrow_csv, schema)):
            named = pa.DictionaryArray.from_arrays(pa.array([0] * len(batch), pa.int32()), pa.array([run]))
            waiting.append(pa.record_batch([named, *batch.columns], schema=schema))
            rows += len(batch)
            if sum(map(len, waiting)) >= _GROUP_ROWS:
                writer.write_table(pa.Table.from_batches(waiting).unify_dictionaries())
                waiting.clear()
        if waiting:
            writer.write_table(pa.Table.from_batches(waiting).unify_dictionaries())
    return rows


def _run(capture: Path, found: Found) -> str:
    name = (found.descriptor or {}).get("name")
    return name if isinstance(name, str) else capture.resolve().name


def _about(found: Found, run: str, state: State) -> dict[str, Any]:
    facts = {name: (found.descriptor or {}).get(name) for name in _FACTS}
    return {"format": 1, "run": run, "state": str(state), "seal_sha256": found.seal_digest or None, **facts}


def _schema(pa: Any, names: list[str], about: dict[str, Any]) -> Any:
    text = pa.dictionary(pa.int32(), pa.string())
    fields = [pa.field(RUN, text, metadata={"description": "the run that a row is of", "unit": ""})]
    for name in names:
        told = field_of(name)
        kind = pa.float64() if told["type"] == "number" else text
        fields.append(pa.field(name, kind, metadata={"description": told["description"], "unit": unit_of(name)}))
    return pa.schema(fields, metadata={"rampguard": json.dumps(about, allow_nan=False)})


def _options(arrow_csv: Any, schema: Any) -> tuple[Any, Any, Any]:
    """How the table is read: its own columns by their types, blank is null, and nothing else is."""
    types = {field.name: field.type for field in schema if field.name != RUN}
    return (
        arrow_csv.ReadOptions(block_size=_BLOCK_BYTES, use_threads=False),
        arrow_csv.ParseOptions(newlines_in_values=False),
        arrow_csv.ConvertOptions(column_types=types, null_values=[""], strings_can_be_null=True),
    )


def _names(path: Path) -> list[str]:
    """The columns of a table of ours."""
    with whole_lines(path) as lines:
        return next(csv.reader([lines.readline()]))


class _Whole(io.RawIOBase):
    """The first so many bytes of a file."""

    def __init__(self, stream: BinaryIO, size: int) -> None:
        self._stream, self._left = stream, size

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        data = self._stream.read(min(len(buffer), self._left))
        buffer[: len(data)] = data
        self._left -= len(data)
        return len(data)
