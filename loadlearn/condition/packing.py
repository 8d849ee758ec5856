"""A condensed drive as a small Parquet file, so that a log is read once and compared often."""

from __future__ import annotations

import json
from dataclasses import asdict

from loadlearn.condition.assessment import DrivePoints, from_points
from loadlearn.condition.evidence import Measure
from loadlearn.vehicle.rig import Rig

_ABOUT = b"loadlearn"
_WEIGHED = "tractive_efficiency"
"""The one measure that does not follow from the operating points."""


def pack(drive: DrivePoints) -> bytes:
    """A condensed drive as Parquet.

    Parameters
    ----------
    drive : DrivePoints
        From :func:`~loadlearn.condition.assessment.condense`.
    """
    import pyarrow as pa
    from pyarrow import parquet

    weighed = drive.scalars.get(_WEIGHED)
    about = {
        "frozen_s": drive.frozen_s,
        _WEIGHED: None if weighed is None else asdict(weighed),
    }
    table = pa.Table.from_pandas(drive.points, preserve_index=False)
    table = table.replace_schema_metadata({**table.schema.metadata, _ABOUT: json.dumps(about)})
    sink = pa.BufferOutputStream()
    parquet.write_table(table, sink, compression="zstd", write_statistics=False)
    return bytes(sink.getvalue())


def unpack(data: bytes, rig: Rig) -> DrivePoints:
    """What :func:`pack` packed.

    Parameters
    ----------
    data : bytes
    rig : Rig
        The one that it was condensed with.
    """
    import pyarrow as pa
    from pyarrow import parquet

    table = parquet.read_table(pa.BufferReader(data))
    about = json.loads(table.schema.metadata[_ABOUT])
    drive = from_points(table.to_pandas(), rig)
    drive.frozen_s.update(about["frozen_s"])
    if about[_WEIGHED] is not None:
        drive.scalars[_WEIGHED] = Measure(**about[_WEIGHED])
    return drive
