"""Opens the exports of a run with the tools that people use, and checks them against the run file.

usage: open_exports.py RUN.sqlite CSV_FOLDER FILE.h5

Ends with `all values agree` and exit code 0, or with an assertion.
"""

import csv
import json
import pathlib
import sqlite3
import sys

import h5py
import numpy
import pandas


def points_of(run, sweep, readings):
    """The points of a sweep as rows of numbers: i, s, x, y, readings."""
    columns = ", ".join(f"r{i}" for i in range(readings))
    rows = run.execute(
        f"SELECT i, at_ns / 1e9, x, y, {columns} FROM point WHERE sweep = ? ORDER BY i", [sweep]
    )
    return numpy.array(rows.fetchall(), dtype=float)


def check_csv(folder, stem, begin, points):
    slow = begin["slow"] is not None
    path = folder / f"{stem}.csv"
    with open(path, newline="") as file:
        rows = list(csv.reader(line for line in file if not line.startswith("#")))
    head = rows[0]
    names = [begin["fast"]] + ([begin["slow"]] if slow else []) + begin["read"]
    wanted = ["i", "time (s)"] + [f"{c['channel']} ({c['si_unit']})" for c in names]
    assert head == wanted, (head, wanted)
    table = pandas.read_csv(path, comment="#")
    kept = points if slow else numpy.delete(points, 3, axis=1)
    assert table.shape == kept.shape, (table.shape, kept.shape)
    numpy.testing.assert_array_equal(table.to_numpy()[:, 2:], kept[:, 2:])
    numpy.testing.assert_allclose(table["time (s)"], kept[:, 1], rtol=0, atol=1e-6)
    meta = json.loads((folder / f"{stem}.json").read_text())
    assert meta["points"] == len(points) and meta["sweep"] == begin["sweep"]


def check_hdf5(entry, stem, begin, points):
    group = entry[stem]
    assert group.attrs["NX_class"] == "NXdata"
    signal, axes = group.attrs["signal"], list(group.attrs["axes"])
    assert signal in group and all(axis in group for axis in axes), (signal, axes)
    assert signal == begin["read"][0]["channel"]
    assert group[signal].attrs["units"] == begin["read"][0]["si_unit"]
    # As NeXus asks, the length of each axis is that of its dimension of the signal.
    assert group[signal].shape == tuple(len(group[axis]) for axis in axes)
    fast = begin["fast"]["channel"]
    assert group[fast].attrs["units"] == begin["fast"]["si_unit"]
    numpy.testing.assert_array_equal(group[signal][...].ravel(), points[:, 4])
    if len(axes) == 2:
        rows, columns = group[signal].shape
        assert axes == [begin["slow"]["channel"], fast]
        numpy.testing.assert_array_equal(numpy.tile(group[fast][...], rows), points[:, 2])
        numpy.testing.assert_array_equal(numpy.repeat(group[axes[0]][...], columns), points[:, 3])
    else:
        numpy.testing.assert_array_equal(group[fast][...], points[:, 2])
        numpy.testing.assert_allclose(group["time"][...], points[:, 1], rtol=0, atol=1e-6)


def columns_of(begin):
    """The columns of a sweep, whatever the plan says of their values."""
    plan = begin["plan"]
    slow = plan["slow"]["channel"] if plan["slow"] else None
    return {**plan, "sweep": begin["sweep"], "fast": plan["fast"]["channel"], "slow": slow}


def check_bulk(run, folder, entry):
    for seq, body in run.execute("SELECT seq, body FROM entry WHERE kind = 'bulk'"):
        body = json.loads(body)
        (blob,) = run.execute("SELECT data FROM bulk WHERE seq = ?", [seq]).fetchone()
        numbers = numpy.frombuffer(blob, dtype="<f8")
        ((verb, task),) = body["task"].items()
        name = task["channel"]["channel"] if verb == "trace" else "height"
        stem = f"{verb}_{seq:06}_{name}"
        table = pandas.read_csv(folder / f"{stem}.csv")
        numpy.testing.assert_array_equal(table.iloc[:, -1], numbers)
        data = entry[stem][name]
        assert list(data.shape) == body["shape"]
        numpy.testing.assert_array_equal(data[...].ravel(), numbers)


def check_rest(run, folder, root):
    entry = root["run"]
    watched = pandas.read_sql("SELECT at_s, channel, value FROM monitors", run)
    table = pandas.read_csv(folder / "monitors.csv")
    assert len(table) == len(watched) > 0
    for channel, readings in watched.groupby("channel"):
        group = entry["monitors"][channel]
        numpy.testing.assert_array_equal(group["value"][...], readings["value"])
        same = table[table["channel"] == channel]["value (SI)"]
        numpy.testing.assert_array_equal(same, readings["value"])
    fits = json.loads((folder / "fits.json").read_text())
    recorded = [json.loads(b) for (b,) in run.execute("SELECT body FROM judgements WHERE what = 'fit'")]
    assert len(fits["fits"]) == len(recorded) > 0
    for ours, theirs in zip(fits["fits"], recorded):
        for parameter in theirs["fit"]["parameters"]:
            assert ours["parameters"][parameter["name"]]["value"] == parameter["value"]
        assert ours["trusted"] == theirs["trusted"]
    note = entry["fits/note/data"][0]
    assert json.loads(note) == fits
    (text,) = run.execute("SELECT text FROM document WHERE role = 'sequence'").fetchone()
    assert entry["sequence/data"][0].decode() == text
    # The default plot is found from the root.
    assert root.attrs["NX_class"] == "NXroot" and entry.attrs["NX_class"] == "NXentry"
    default = root[root.attrs["default"]]
    assert default[default.attrs["default"]].attrs["NX_class"] == "NXdata"


def main():
    path, folder, file = sys.argv[1], pathlib.Path(sys.argv[2]), sys.argv[3]
    run = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    with h5py.File(file, "r") as root:
        begun = run.execute("SELECT body FROM entry WHERE kind = 'sweep_begin'")
        sweeps = [columns_of(json.loads(body)) for (body,) in begun]
        assert sweeps
        for begin in sweeps:
            points = points_of(run, begin["sweep"], len(begin["read"]))
            stem = f"sweep_{begin['sweep']:04}_{begin['name'].replace(' ', '_')}"
            check_csv(folder, stem, begin, points)
            check_hdf5(root["run"], stem, begin, points)
        check_bulk(run, folder, root["run"])
        check_rest(run, folder, root)
    print(f"{len(sweeps)} sweeps: all values agree")


main()
