"""Opens exported Arrow files as a notebook would, by two libraries; prints what it sees."""
import datetime
import json
import sys

import polars
import pyarrow.feather

kept, events = sys.argv[1:]


def plain(value):
    if isinstance(value, datetime.datetime):
        assert value.utcoffset() == datetime.timedelta(0), value
        return value.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return value


def rows(table):
    return [{key: plain(value) for key, value in row.items()} for row in table]


table = pyarrow.feather.read_table(kept)
unit = table.schema.field("height_rear_left_mm").metadata[b"unit"].decode()
frame = polars.read_ipc(kept)
print(json.dumps({
    "pyarrow": {
        "kept": rows(table.to_pylist()),
        "events": pyarrow.feather.read_table(events).num_rows,
        "unit": unit,
    },
    "polars": {
        "kept": rows(frame.to_dicts()),
        "events": polars.read_ipc(events).height,
        "unit": unit,
    },
}))
