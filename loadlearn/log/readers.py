"""Drive logs: CSV, Parquet and ASAM MDF 4 files to a trace in canonical columns."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from loadlearn.errors import InputError
from loadlearn.log.cell_words import EMPTY, numbers_from_words
from loadlearn.log.channel_faults import Floats
from loadlearn.log.channels import BY_NAME
from loadlearn.log.column_plan import ChannelMap, Plan, make_plan
from loadlearn.log.conversions import to_trace
from loadlearn.log.trace import row_of_frame
from loadlearn.vehicle.rig import Rig

_NOT_BLANK = re.compile(rb"\S")
_GZIP_MAGIC = b"\x1f\x8b"
_PARQUET_MAGIC = b"PAR1"
_MDF_MAGIC = (b"MDF     ", b"UnFinMF ")


def read_log(
    path: str | Path | pd.DataFrame,
    rig: Rig | None = None,
    channels: str | Path | ChannelMap | None = None,
) -> pd.DataFrame:
    """Read a drive log into a valid trace.

    Parameters
    ----------
    path : str, Path or DataFrame
        A CSV file (comma, semicolon or tab; decimal commas with semicolons; ``.gz`` too), a Parquet
        file, an MDF 4 file (needs the extra ``mdf``), or a DataFrame with a log's columns.
    rig : Rig, optional
        Needed for columns that convert through it: ``fuel_rate_l_h`` (density),
        ``fuel_mg_per_stroke`` (cylinders), ``engine_percent_torque`` (reference torque).
    channels : path or mapping, optional
        Channel map: a TOML file with a table ``[channels]``, or the same as a mapping, as
        ``{"speed_m_s": {"column": "Road speed", "unit": "km/h"}}``. A unit left out is the one the
        file declares for that column, else the one in the key's name.

    Returns
    -------
    pandas.DataFrame
        Canonical columns, float64, RangeIndex, other columns kept behind them. ``attrs`` holds
        ``source``, ``warnings`` (sentences), ``counts`` (rows, gaps, repeated stamps, drop-outs,
        frozen stretches) and ``columns`` (channel to the column and unit it was read from).

    Raises
    ------
    InputError
        The file is missing, empty, truncated or of an unknown kind; a needed channel is missing or
        holds no number; a unit is unknown; a cell is no number; a value is impossible; time runs
        backwards; a column needs a rig that was not given. One sentence names file, column, first
        offending row and mend; of a CSV file the row is its line, the header being line 1.

    Notes
    -----
    Times are kept as read, but an ISO 8601 ``timestamp`` becomes seconds from the first sample.
    A power at the tread becomes a force with its standard deviation in ``tractive_force_sd_n``,
    from the noise of power and speed seen in the log or from columns ``tractive_power_sd_kw`` and
    ``speed_sd_m_s``.
    """
    if isinstance(path, pd.DataFrame):
        return _from_frame(path, str(path.attrs.get("source", "table")), rig, channels)
    source = str(path)
    head = _head(Path(path), source)
    if head.startswith(_PARQUET_MAGIC):
        return _read_parquet(Path(path), source, rig, channels)
    if head.startswith(_MDF_MAGIC):
        from loadlearn.log.mdf import read_mdf

        return read_mdf(Path(path), source, rig, channels)
    suffix = Path(path).suffix.lower()
    if suffix in (".parquet", ".pq", ".mf4", ".mdf"):
        kind = "Parquet" if suffix in (".parquet", ".pq") else "MDF"
        raise InputError(
            f"{source}: not a {kind} file (its first bytes are not those of one); it may be "
            "truncated or of another kind, so export it again"
        )
    return _read_csv(Path(path), source, rig, channels)


def _head(path: Path, source: str) -> bytes:
    try:
        with open(path, "rb") as file:
            head = file.read(8)
    except FileNotFoundError:
        raise InputError(f"{source}: no such log; check the path") from None
    except IsADirectoryError:
        raise InputError(f"{source}: is a folder; give a log file") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{source}: cannot be read ({reason})") from None
    if not head:
        raise InputError(f"{source}: the file is empty; record or export the log again")
    return head


# ------------------------------------------------------------------------------------- CSV


def _read_csv(
    path: Path, source: str, rig: Rig | None, channels: str | Path | ChannelMap | None
) -> pd.DataFrame:
    data = _text_bytes(path, source)
    start = _skip_preamble(data)
    end = data.find(b"\n", start)
    header_line = (data[start:] if end < 0 else data[start:end]).decode().rstrip("\r")
    if not header_line.strip():
        raise InputError(f"{source}: the file is empty; record or export the log again")
    delimiter = _delimiter(header_line)
    names = _header_names(header_line, delimiter, source)
    plan = make_plan(names, source, channels)
    for column, _ in plan.columns.values():
        if names.count(column) > 1:
            raise InputError(
                f"{source}: two columns are named '{column}'; rename or delete one of them"
            )
    if end < 0 or _NOT_BLANK.search(data, end) is None:
        raise InputError(
            f"{source}: there is a header but no row below it; record or export the log again"
        )
    body = _Body(data, start, end + 1, delimiter, names, source)
    columns, extras = _parse(body, plan)
    return to_trace(plan, columns, extras, body.row_label, rig)


def _text_bytes(path: Path, source: str) -> bytes:
    """The file's text as UTF-8 without a byte order mark, decompressed."""
    data = path.read_bytes()
    if data.startswith(_GZIP_MAGIC):
        data = _decompress(data, source)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            data = data.decode("utf-16").encode()
        except UnicodeDecodeError:
            raise InputError(
                f"{source}: the text ends in the middle of a character; the file is truncated, so "
                "export it again"
            ) from None
    data = data.removeprefix(b"\xef\xbb\xbf")
    if not data.isascii():
        try:
            data.decode()
        except UnicodeDecodeError:
            data = data.decode("latin-1").encode()
    if b"\x00" in data[:4096]:
        raise InputError(
            f"{source}: not a text file; give a log as CSV, Parquet or MDF 4, or export it again"
        )
    # Lines of old systems end in a carriage return alone.
    if b"\n" not in data and b"\r" in data:
        data = data.replace(b"\r", b"\n")
    return data


MOST_UNPACKED_BYTES = 4 << 30
"""A log larger than this, unpacked, is refused: a compressed file of a few megabytes can hold more
than any machine has. 30 hours at 100 Hz of twenty channels are less."""


def _too_large(source: str, what: str) -> InputError:
    most = MOST_UNPACKED_BYTES / 2**30
    return InputError(
        f"{source}: {what} is more than {most:.0f} GB unpacked; split the log, or export it with "
        "fewer rows"
    )


def _decompress(data: bytes, source: str) -> bytes:
    parts, room = [], MOST_UNPACKED_BYTES
    try:
        while data:
            engine = zlib.decompressobj(wbits=31)
            parts.append(engine.decompress(data, room))
            room -= len(parts[-1])
            if room <= 0:
                raise _too_large(source, "the compressed file")
            if not engine.eof:
                raise InputError(
                    f"{source}: the compressed file is truncated; copy or export it again"
                )
            data = engine.unused_data.lstrip(b"\x00")
    except zlib.error as error:
        raise InputError(
            f"{source}: the compressed file is damaged ({error}); copy or export it again"
        ) from None
    return b"".join(parts)


def _skip_preamble(data: bytes) -> int:
    """Where the header starts: past blank lines and comments."""
    start = 0
    while start < len(data):
        end = data.find(b"\n", start)
        line = data[start : end if end >= 0 else len(data)].strip()
        if line and not line.startswith(b"#"):
            break
        if end < 0:
            return len(data)
        start = end + 1
    return start


def _delimiter(header: str) -> str:
    bare = re.sub(r'"[^"]*"', "", header)
    return max(";\t,", key=bare.count)


def _header_names(header: str, delimiter: str, source: str) -> list[str]:
    import csv

    try:
        names = [name.strip() for name in next(csv.reader([header], delimiter=delimiter))]
    except csv.Error as error:
        raise InputError(
            f"{source}: the header cannot be read ({error}); mend the line that names the columns"
        ) from None
    return [name or f"column {i + 1}" for i, name in enumerate(names)]


class _Body:
    """The rows of a CSV file and how to name them."""

    def __init__(
        self, data: bytes, header: int, start: int, delimiter: str, names: list[str], source: str
    ) -> None:
        self.data = data
        self.start = start
        self.delimiter = delimiter
        self.names = names
        self.source = source
        self.header_line = data.count(b"\n", 0, header) + 1

    def row_label(self, row: int) -> str:
        """Words for the row-th sample: its line in the file."""
        return self.line_label(self.line_of_row(row))

    def line_label(self, line: int) -> str:
        return f"line {line} (the header is line {self.header_line})"

    def line_of_row(self, row: int) -> int:
        """Line of a sample; blank lines are no samples."""
        seen = -1
        for i, line in enumerate(self.data[self.start :].split(b"\n")):
            if line.strip(b"\r"):
                seen += 1
                if seen == row:
                    return self.header_line + 1 + i
        return self.header_line + 1 + row

    def check_widths(self) -> None:
        """Raise for the first line that has more or fewer fields than the header."""
        import csv

        lines = self.data[self.start :].decode().rstrip().split("\n")
        for i, line in enumerate(lines):
            if not line.strip("\r"):
                continue
            try:
                number = len(next(csv.reader([line.rstrip("\r")], delimiter=self.delimiter)))
            except csv.Error:
                number = 0
            if number != len(self.names):
                last = i == len(lines) - 1
                cause = "the file ends in the middle of a row" if last else "the row is damaged"
                raise InputError(
                    f"{self.source}: {self.line_label(self.header_line + 1 + i)} has {number} "
                    f"field(s) where the header names {len(self.names)}; {cause}: delete that line "
                    "or export the log again"
                )


def _parse(body: _Body, plan: Plan) -> tuple[dict[str, Floats], dict[str, Any]]:
    """Columns by channel, as numbers, and the extra columns.

    The fast path takes every cell of a planned column for a number. Words, decimal commas that were
    not foreseen and cells that are no numbers lead to the slow path, which reads text.
    """
    import pyarrow as pa

    texts = {
        column
        for channel, (column, _) in plan.columns.items()
        if BY_NAME[channel].quantity in ("timestamp", "flag", "range", "count")
    }
    numeric = {column for column, _ in plan.columns.values()} - texts
    comma = body.delimiter != "," and _has_decimal_comma(body)
    table = None
    for decimal in (",", ".") if comma else (".",):
        try:
            table = _arrow_csv(body, dict.fromkeys(numeric, pa.float64()), decimal)
            break
        except pa.ArrowInvalid:
            continue
    if table is None:
        try:
            table = _arrow_csv(body, dict.fromkeys(body.names, pa.string()), ".")
        except pa.ArrowInvalid as error:
            body.check_widths()
            reason = str(error).splitlines()[0]
            raise InputError(
                f"{body.source}: not a readable CSV file ({reason}); export the log again"
            ) from None
    if table.num_rows == 0:
        raise InputError(
            f"{body.source}: there is a header but no row below it; record or export the log again"
        )
    order = {name: i for i, name in enumerate(body.names)}
    columns: dict[str, Floats] = {}
    for channel, (column, _) in plan.columns.items():
        cells = table.column(order[column])
        columns[channel] = _numbers(
            cells, channel, column, body.source, body.row_label, body.delimiter != ","
        )
    if "timestamp" in columns:
        columns["time_s"] = columns.pop("timestamp")
        plan.columns["time_s"] = plan.columns["timestamp"]
    extras = {name: _extra(table.column(order[name])) for name in plan.extras}
    return columns, extras


def _arrow_csv(body: _Body, types: Mapping[str, Any], decimal: str) -> Any:
    import pyarrow as pa
    from pyarrow import csv

    names = [f"{i}" for i in range(len(body.names))]
    return csv.read_csv(
        pa.py_buffer(memoryview(body.data)[body.start :]),
        read_options=csv.ReadOptions(column_names=names),
        parse_options=csv.ParseOptions(delimiter=body.delimiter),
        convert_options=csv.ConvertOptions(
            column_types={str(i): types[n] for i, n in enumerate(body.names) if n in types},
            null_values=_NULLS,
            strings_can_be_null=True,
            quoted_strings_can_be_null=True,
            decimal_point=decimal,
        ),
    )


_NULLS = sorted({form(word) for word in EMPTY for form in (str, str.upper, str.title)} | {"NaN"})
_DECIMAL_COMMA = re.compile(rb"(?:^|[;\t])\s*\"?[+-]?\d*,\d+\"?\s*(?=[;\t\r\n]|$)")


def _has_decimal_comma(body: _Body) -> bool:
    return _DECIMAL_COMMA.search(body.data, body.start) is not None


def _extra(cells: Any) -> Any:
    return cells.to_pandas().to_numpy()


def _numbers(
    cells: Any,
    channel: str,
    column: str,
    source: str,
    row_label: Callable[[int], str],
    decimal_comma: bool,
) -> Floats:
    """An Arrow column as float64."""
    import pyarrow as pa

    kind = cells.type
    if pa.types.is_dictionary(kind):
        cells = cells.cast(kind.value_type)
        kind = cells.type
    if channel == "timestamp":
        return _seconds(cells.to_pandas(), column, source, row_label)
    if pa.types.is_floating(kind) or pa.types.is_integer(kind):
        return np.asarray(cells.to_numpy(), dtype=np.float64)
    if pa.types.is_null(kind):
        return np.full(len(cells), np.nan)
    objects = cells.to_pandas().to_numpy(dtype=object)
    values, bad = numbers_from_words(objects, BY_NAME[channel], decimal_comma)
    if bad is not None:
        raise InputError(
            f"{source}: column '{column}', {row_label(bad)}: '{objects[bad]}' is not a number; "
            "correct or empty that cell"
        )
    return values


def _seconds(
    stamps: pd.Series, column: str, source: str, row_label: Callable[[int], str]
) -> Floats:
    """Seconds from the first sample; stamps without a zone are UTC."""
    if pd.api.types.is_string_dtype(stamps.dtype) or stamps.dtype == object:
        text = stamps.astype(object)
        text = text.where(text.isna(), text.astype(str).str.strip().str.replace(",", "."))
        parsed = pd.to_datetime(text, utc=True, format="ISO8601", errors="coerce")
    elif pd.api.types.is_datetime64_any_dtype(stamps.dtype):
        text, parsed = stamps, pd.to_datetime(stamps, utc=True)
    else:
        raise InputError(
            f"{source}: column '{column}', {row_label(0)}: '{stamps.iloc[0]}' is not an ISO 8601 "
            "date and time; name a column of seconds time_s"
        )
    bad = (parsed.isna() & ~text.isna()).to_numpy()
    if bad.any():
        row = int(np.argmax(bad))
        raise InputError(
            f"{source}: column '{column}', {row_label(row)}: '{text.iloc[row]}' is not an ISO 8601 "
            "date and time; write it as 2030-01-31T08:30:00.5Z"
        )
    known = parsed.dropna()
    if known.empty:
        return np.full(len(parsed), np.nan)
    # The clock's whole nanoseconds are subtracted before they become floating point.
    return np.asarray((parsed - known.iloc[0]).dt.total_seconds(), dtype=np.float64)


# --------------------------------------------------------------------- Parquet and DataFrame


def _read_parquet(
    path: Path, source: str, rig: Rig | None, channels: str | Path | ChannelMap | None
) -> pd.DataFrame:
    import pyarrow as pa
    from pyarrow import parquet

    try:
        with parquet.ParquetFile(path) as file:
            # A column of one value repeated takes no room at all.
            if 8 * file.metadata.num_rows * file.metadata.num_columns > MOST_UNPACKED_BYTES:
                raise _too_large(source, "the Parquet file")
            table = file.read()
    except (pa.ArrowException, OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        reason = (str(error).splitlines() or ["no more is known"])[0]
        raise InputError(
            f"{source}: the Parquet file is truncated or damaged ({reason}); copy or export it "
            "again"
        ) from None
    return _from_arrow(table, source, rig, channels)


def _from_frame(
    frame: pd.DataFrame, source: str, rig: Rig | None, channels: str | Path | ChannelMap | None
) -> pd.DataFrame:
    import pyarrow as pa

    if not frame.index.equals(pd.RangeIndex(len(frame))) and frame.index.name is not None:
        frame = frame.reset_index()
    try:
        table = pa.Table.from_pandas(frame, preserve_index=False)
    except (pa.ArrowException, TypeError, ValueError) as error:
        reason = str(error).splitlines()[0]
        raise InputError(
            f"{source}: not a plain table ({reason}); give each column its own name and one kind "
            "of values"
        ) from None
    return _from_arrow(table, source, rig, channels)


def _from_arrow(
    table: Any, source: str, rig: Rig | None, channels: str | Path | ChannelMap | None
) -> pd.DataFrame:
    names = [str(name) for name in table.column_names]
    plan = make_plan(names, source, channels)
    if table.num_rows == 0:
        raise InputError(f"{source}: there are columns but no row; record or export the log again")
    columns = {
        channel: _numbers(
            table.column(names.index(column)), channel, column, source, row_of_frame, False
        )
        for channel, (column, _) in plan.columns.items()
    }
    if "timestamp" in columns:
        columns["time_s"] = columns.pop("timestamp")
        plan.columns["time_s"] = plan.columns["timestamp"]
    extras = {name: _extra(table.column(names.index(name))) for name in plan.extras}
    return to_trace(plan, columns, extras, row_of_frame, rig)
