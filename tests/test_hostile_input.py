"""Hostile and broken input: a clean result with a reject and its reason, or one clear error; never a traceback or a hang."""

# ruff: noqa: E501 - whole messages are compared

import copy
import os
import shutil
import sqlite3
import struct
import time
import unicodedata
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
import yaml
from workflow import (
    area,
    boundaries,
    config,
    layer_of,
    pass_lines,
    passes_of,
    run_steps,
    take_in,
    write_coop,
)

from pipeline.errors import ConfigError, InputError, RowreturnError
from pipeline.files import taking
from pipeline.files.fields import field_folder
from pipeline.files.plain_yaml import parse_yaml, read_yaml
from pipeline.files.store import read_geo, read_json
from pipeline.files.texts import safe_text

LIMIT_S = 10.0  # of processor time: others may be at work on the machine


def refused(settings: dict, folder, kind: type = InputError) -> str:
    """The one message, the folder's name taken out; nothing was written, in time."""
    before, start = listing(folder), time.process_time()
    with pytest.raises(RowreturnError) as caught:
        take_in(settings, folder)
    assert time.process_time() - start < LIMIT_S
    assert type(caught.value) is kind
    message = str(caught.value)
    assert "\n" not in message
    assert listing(folder) == before
    return message.replace(str(folder), "DIR")


def taken(settings: dict, folder) -> tuple[dict, pd.DataFrame]:
    """Account and rejects of a clean run, in time; nothing was written but the work folder."""
    before, start = listing(folder), time.process_time()
    work = take_in(settings, folder)
    assert time.process_time() - start < LIMIT_S
    assert {path for path in listing(folder) if not path.startswith("work")} == before
    said = read_json(work / "intake.json")["layers"]
    for one in said.values():
        assert one["read"] == one["kept"] + one["rejected"]
    return said, read_geo(work / "rejects.parquet")


def listing(folder) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*")}


def reasons(table: pd.DataFrame) -> dict[str, str]:
    return dict(zip(table["feature"], table["reason"], strict=True))


def plain(folder, **how) -> dict:
    return config(folder, planter=False, **how)


def with_strips_from(folder, path, layer: str | None = "strips") -> dict:
    settings = plain(folder)
    settings["inputs"]["strips"] |= {"file": str(path), "layer": layer}
    return settings


def opened(path) -> sqlite3.Connection:
    """The database without its triggers, which call functions that only GDAL has."""
    base = sqlite3.connect(path)
    for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        base.execute(f'DROP TRIGGER "{name}"')
    base.commit()
    return base


def blob_into(path, blob: bytes | None, *, table: str = "strips", feature: int = 2) -> None:
    """Put bytes in the place of a geometry."""
    base = opened(path)
    base.execute(f"UPDATE {table} SET geom = ? WHERE fid = ?", (blob, feature))
    base.commit()
    base.close()


def gpkg_blob(wkb: bytes) -> bytes:
    """GeoPackage header without an envelope, version 0, little-endian (OGC 12-128r19, 2.1.3)."""
    return b"GP\x00\x01" + struct.pack("<i", 32614) + wkb


def wkb_line(points: list) -> bytes:
    return struct.pack("<BII", 1, 2, len(points)) + b"".join(struct.pack("<dd", *point) for point in points)


def wkb_polygon(*rings: list) -> bytes:
    body = b"".join(struct.pack("<I", len(ring)) + b"".join(struct.pack("<dd", *p) for p in ring) for ring in rings)
    return struct.pack("<BII", 1, 3, len(rings)) + body


# --- files -----------------------------------------------------------------------------------------------------


def test_text_file_named_gpkg(tmp_path):
    write_coop(tmp_path)
    (tmp_path / "letter.gpkg").write_text("Dear co-op")
    assert refused(with_strips_from(tmp_path, tmp_path / "letter.gpkg"), tmp_path) == (
        "inputs.strips: DIR/letter.gpkg is not a vector file that GDAL can read ('letter.gpkg' not recognized as being in a "
        "supported file format)"
    )


def test_empty_file(tmp_path):
    write_coop(tmp_path)
    (tmp_path / "empty.gpkg").touch()
    assert refused(with_strips_from(tmp_path, tmp_path / "empty.gpkg"), tmp_path) == (
        "inputs.strips: file 'DIR/empty.gpkg' is empty, 0 bytes; copy or export it again"
    )


def test_folder_in_place_of_a_file(tmp_path):
    write_coop(tmp_path)
    (tmp_path / "folder.gpkg").mkdir()
    assert refused(with_strips_from(tmp_path, tmp_path / "folder.gpkg"), tmp_path) == (
        "inputs.strips: file 'DIR/folder.gpkg' is a folder; expected a file, export a folder's layers to a GeoPackage"
    )


def test_pipe_in_place_of_a_file(tmp_path):
    write_coop(tmp_path)
    os.mkfifo(tmp_path / "pipe.gpkg")
    assert refused(with_strips_from(tmp_path, tmp_path / "pipe.gpkg"), tmp_path) == (
        "inputs.strips: file 'DIR/pipe.gpkg' is a pipe or a device; expected a file, save the layers in one"
    )


def test_folder_of_other_files(tmp_path):
    # Neither listed nor hashed: a folder may hold a whole disk.
    write_coop(tmp_path)
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes/strips.vrt").write_text("<OGRVRTDataSource/>")
    assert refused(with_strips_from(tmp_path, tmp_path / "notes"), tmp_path) == (
        "inputs.strips: file 'DIR/notes' is a folder; expected a file, export a folder's layers to a GeoPackage"
    )


def test_packed_database_and_packed_pointer(tmp_path):
    path = write_coop(tmp_path)
    with zipfile.ZipFile(tmp_path / "coop.zip", "w") as packed:
        packed.write(path, "coop.gpkg")
    with zipfile.ZipFile(tmp_path / "pointer.zip", "w") as packed:
        packed.writestr("strips.vrt", "<OGRVRTDataSource/>")
    assert refused(with_strips_from(tmp_path, tmp_path / "coop.zip"), tmp_path) == (
        "inputs.strips: file 'DIR/coop.zip' is a packed database, which cannot be looked over; expected a plain one, unpack it"
    )
    assert refused(with_strips_from(tmp_path, tmp_path / "pointer.zip"), tmp_path) == (
        "inputs.strips: DIR/pointer.zip only points at other files or services; expected the features themselves, save them "
        "as a GeoPackage"
    )


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_no_permission(tmp_path):
    write_coop(tmp_path)
    shutil.copy(tmp_path / "coop.gpkg", tmp_path / "mine.gpkg")
    (tmp_path / "mine.gpkg").chmod(0)
    assert refused(with_strips_from(tmp_path, tmp_path / "mine.gpkg"), tmp_path) == (
        "inputs.strips: file 'DIR/mine.gpkg' cannot be opened (Permission denied); allow yourself to read it"
    )


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("a\0b.gpkg", "inputs.strips: file 'a\\x00b.gpkg' is no path (embedded null byte); correct inputs.strips.file"),
        ("n" * 300, f"inputs.strips: file '{'n' * 300}' is no path (File name too long); correct inputs.strips.file"),
        ("line\nbreak.gpkg",
         "inputs.strips: file 'line\\nbreak.gpkg' does not exist; correct inputs.strips.file; relative paths start at the "
         f"working directory {os.getcwd()}"),
        ("/vsicurl/http://invalid.invalid/x.gpkg",
         "inputs.strips: file '/vsicurl/http:/invalid.invalid/x.gpkg' does not exist; correct inputs.strips.file"),
    ],
)  # fmt: skip
def test_names_that_are_no_files(tmp_path, name, message):
    write_coop(tmp_path)
    assert refused(with_strips_from(tmp_path, name), tmp_path) == message


def test_truncated_geopackage(tmp_path):
    path = write_coop(tmp_path)
    (tmp_path / "half.gpkg").write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert refused(with_strips_from(tmp_path, tmp_path / "half.gpkg"), tmp_path) == (
        "inputs.strips: DIR/half.gpkg is not a vector file that GDAL can read (database disk image is malformed)"
    )


def test_corrupted_geopackage(tmp_path):
    path = write_coop(tmp_path)
    data = bytearray(path.read_bytes())
    data[100:4096] = bytes(range(256)) * 15 + bytes(156)
    (tmp_path / "torn.gpkg").write_bytes(data)
    assert refused(with_strips_from(tmp_path, tmp_path / "torn.gpkg"), tmp_path) == (
        "inputs.strips: DIR/torn.gpkg is not a vector file that GDAL can read (database disk image is malformed)"
    )


def test_sqlite_that_is_not_a_geopackage(tmp_path):
    write_coop(tmp_path)
    base = sqlite3.connect(tmp_path / "books.gpkg")
    base.execute("CREATE TABLE strips (name TEXT)")
    base.commit()
    base.close()
    assert refused(with_strips_from(tmp_path, tmp_path / "books.gpkg"), tmp_path) == (
        "inputs.strips: DIR/books.gpkg is not a vector file that GDAL can read (At least one of the required GeoPackage tables, "
        "gpkg_spatial_ref_sys or gpkg_contents, is missing)"
    )


def test_view_that_never_ends(tmp_path):
    path = write_coop(tmp_path)
    base = sqlite3.connect(path)
    base.execute(
        "CREATE VIEW more AS WITH RECURSIVE n(fid) AS (SELECT 1 UNION ALL SELECT fid + 1 FROM n) "
        "SELECT n.fid, s.geom FROM n, strips s"
    )
    base.execute("INSERT INTO gpkg_contents (table_name, data_type, srs_id) VALUES ('more', 'features', 32614)")
    base.execute("INSERT INTO gpkg_geometry_columns VALUES ('more', 'geom', 'LINESTRING', 32614, 0, 0)")
    base.commit()
    base.close()
    assert refused(with_strips_from(tmp_path, path, "more"), tmp_path) == (
        "inputs.fields: DIR/coop.gpkg has a view 'more' that may never end; expected tables of features, save the layers anew"
    )


@pytest.mark.parametrize(
    "text",
    [
        '<OGRVRTDataSource><OGRVRTLayer name="strips"><SrcDataSource>/etc/passwd</SrcDataSource></OGRVRTLayer>'
        "</OGRVRTDataSource>",
        "<OGRWFSDataSource><URL>http://invalid.invalid/wfs</URL></OGRWFSDataSource>",
        '{"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline ! read /etc/passwd"}',
    ],
)
def test_file_that_points_at_other_files_or_servers(tmp_path, text):
    write_coop(tmp_path)
    (tmp_path / "strips.vrt").write_text(text)
    assert refused(with_strips_from(tmp_path, tmp_path / "strips.vrt"), tmp_path) == (
        "inputs.strips: DIR/strips.vrt only points at other files or services; expected the features themselves, save them "
        "as a GeoPackage"
    )


def test_padded_pointer_is_not_followed(tmp_path):
    # Beyond the bytes that are looked at; GDAL does not look there either.
    write_coop(tmp_path)
    pyogrio.write_dataframe(passes_of(), tmp_path / "inner.fgb", driver="FlatGeobuf")
    source = f"<SrcDataSource>{tmp_path}/inner.fgb</SrcDataSource>"
    pointer = f'<OGRVRTDataSource><OGRVRTLayer name="inner">{source}</OGRVRTLayer></OGRVRTDataSource>'
    (tmp_path / "outer.json").write_text(" " * 5000 + pointer)
    assert refused(with_strips_from(tmp_path, tmp_path / "outer.json", "inner"), tmp_path) == (
        "inputs.strips: DIR/outer.json is not a vector file that GDAL can read ('outer.json' not recognized as being in a "
        "supported file format)"
    )


def test_commit_left_in_the_wal_is_read_and_hashed(tmp_path):
    path = write_coop(tmp_path)
    base = opened(path)
    base.execute("PRAGMA journal_mode = WAL")
    base.execute("PRAGMA wal_autocheckpoint = 0")
    base.execute("UPDATE strips SET PASS = 'fresh' WHERE fid = 1")
    base.commit()
    files = {name: (tmp_path / name).read_bytes() for name in ("coop.gpkg", "coop.gpkg-wal", "coop.gpkg-shm")}
    assert b"fresh" not in files["coop.gpkg"] and b"fresh" in files["coop.gpkg-wal"]
    take_in(plain(tmp_path), tmp_path)
    assert {name: (tmp_path / name).read_bytes() for name in files} == files
    strips = pd.concat([read_geo(p) for p in sorted((tmp_path / "work/intake").glob("*/strips.parquet"))])
    assert "fresh" in set(strips["pass_id"])
    assert set(read_json(tmp_path / "work/intake.json")["inputs"]) >= {str(path), f"{path}-wal"}
    base.close()


def test_closed_database_in_wal_mode_leaves_nothing_behind(tmp_path):
    path = write_coop(tmp_path)
    base = sqlite3.connect(path)
    base.execute("PRAGMA journal_mode = WAL")
    base.close()
    taken(plain(tmp_path), tmp_path)


@pytest.mark.parametrize("broken", [False, True])
def test_file_that_changes_while_it_is_read(tmp_path, monkeypatch, broken):
    # Changed just before the strips are read; in the second case the reading itself would fail as well.
    path = write_coop(tmp_path)
    read = taking.read_lines

    def meddled(*args, **how):
        data = bytearray(path.read_bytes())
        data[92:96] = b"\0\0\0\7"  # SQLite's version-valid-for number
        path.write_bytes(b"gone" if broken else data)
        return read(*args, **how)

    monkeypatch.setattr(taking, "read_lines", meddled)
    assert refused(plain(tmp_path), tmp_path) == (
        "inputs: file 'DIR/coop.gpkg' changed while it was read; expected one that rests, end what writes to it and run again"
    )


# --- geometries ------------------------------------------------------------------------------------------------

GOOD = [tuple(xy) for xy in shapely.get_coordinates(pass_lines(0)[1])]
DEEP = struct.pack("<BII", 1, 5, 1) * 400_000 + wkb_line(GOOD)
COLLECTIONS = struct.pack("<BII", 1, 7, 1) * 400_000 + wkb_line(GOOD)


@pytest.mark.parametrize(
    ("blob", "reason"),
    [
        (None, "no geometry"),
        (b"", "no geometry"),
        (b"XX" + gpkg_blob(wkb_line(GOOD))[2:], "no geometry"),
        (gpkg_blob(b""), "no geometry"),
        (gpkg_blob(b"garbage"), "geometry is not well-known binary"),
        (gpkg_blob(struct.pack("<BI", 1, 99)), "geometry is not well-known binary"),
        (gpkg_blob(wkb_line(GOOD)[:-3]), "geometry cannot be read: Input buffer is smaller than requested object size"),
        (gpkg_blob(struct.pack("<BII", 1, 2, 0xFFFFFFFF)),
         "geometry cannot be read: Input buffer is smaller than requested object size"),
        (gpkg_blob(struct.pack("<BII", 1, 5, 0xFFFFFFFF)), "geometry is not well-known binary"),
        (gpkg_blob(wkb_line(GOOD[:1])), "geometry cannot be read: point array must contain 0 or >1 elements"),
        (gpkg_blob(DEEP), "geometry is a collection or another kind that is not used here"),
        (gpkg_blob(COLLECTIONS), "geometry is a collection or another kind that is not used here"),
        (gpkg_blob(wkb_line([])), "empty geometry"),
        (gpkg_blob(wkb_line([GOOD[0], (float("nan"), 1.0)])), "coordinates are not finite numbers"),
        (gpkg_blob(wkb_line([GOOD[0], (float("inf"), 1.0)])), "coordinates are not finite numbers"),
        (gpkg_blob(wkb_line([GOOD[0], GOOD[0]])), "line of zero length"),
        (gpkg_blob(struct.pack("<BIdd", 1, 1, *GOOD[0])), "geometry is not of the kind expected here, lines"),
        (gpkg_blob(wkb_line([(1e300, 1e300), (-1e300, 1e300)])), "lies in no field"),
    ],
)  # fmt: skip
def test_bytes_in_the_place_of_a_line(tmp_path, blob, reason):
    blob_into(write_coop(tmp_path), blob)
    said, rejects = taken(plain(tmp_path), tmp_path)
    assert reasons(rejects) == {"2": reason}
    assert said["strips"]["read"] == 8


X, Y = area(0).bounds[:2]
RING = [(X, Y), (X + 120, Y), (X + 120, Y + 50), (X, Y + 50), (X, Y)]


@pytest.mark.parametrize(
    ("blob", "reason"),
    [
        (wkb_polygon([RING[k] for k in (0, 2, 1, 3, 0)]), f"polygon is not valid: Self-intersection[{X + 60:.0f} {Y + 25:.0f}]"),
        (wkb_polygon([RING[0], RING[1], RING[0]]),
         f"polygon is not valid: Too few points in geometry component[{X:.0f} {Y:.0f}]"),
        (wkb_polygon(RING[:-1]), "geometry cannot be read: Points of LinearRing do not form a closed linestring"),
        (wkb_polygon(RING, [(x + 500, y) for x, y in RING]),
         f"polygon is not valid: Hole lies outside shell[{X + 500:.0f} {Y:.0f}]"),
        (wkb_polygon(), "empty geometry"),
    ],
)  # fmt: skip
def test_bytes_in_the_place_of_a_boundary(tmp_path, blob, reason):
    blob_into(write_coop(tmp_path), gpkg_blob(blob), table="fields", feature=1)
    said, rejects = taken(plain(tmp_path), tmp_path)
    assert reasons(rejects[rejects["layer"] == "fields"]) == {"1": reason}
    assert said["fields"]["rejected"] == 1
    assert set(rejects[rejects["layer"] == "strips"]["reason"]) == {"lies in no field"}


def test_curves_are_straightened(tmp_path):
    arc = struct.pack("<BII", 1, 8, 3) + struct.pack("<6d", X + 10, Y + 20, X + 60, Y + 30, X + 110, Y + 20)
    blob_into(write_coop(tmp_path), gpkg_blob(arc))
    said, rejects = taken(plain(tmp_path), tmp_path)
    assert len(rejects) == 0
    # The circle through the three points: sagitta 10 m over a chord of 100 m gives r = 130 m, half angle asin(50 / 130).
    assert said["strips"]["kept_m"] == pytest.approx(7 * 120 + 2 * 130 * np.arcsin(50 / 130), rel=2e-3)


def test_line_of_ten_million_vertices(tmp_path):
    x = np.linspace(X, X + 120, 10_000_000)
    long = shapely.linestrings(np.stack([x, Y + 10 + np.sin(np.arange(len(x)))], axis=1))
    strips = pd.concat([passes_of(), layer_of([long], PASS=["long"])], ignore_index=True)
    write_coop(tmp_path, strips=strips)
    said, rejects = taken(plain(tmp_path), tmp_path)
    assert reasons(rejects) == {"9": "geometry has more than 1,000,000 vertices; simplify or split it"}
    assert said["strips"]["kept"] == 8


def test_a_hundred_thousand_tiny_strips(tmp_path):
    x, y = np.meshgrid(X + 0.1 * np.arange(1000), Y + 0.1 * np.arange(100))
    ends = np.stack([np.stack([x.ravel(), y.ravel()], 1), np.stack([x.ravel() + 0.05, y.ravel()], 1)], axis=1)
    tiny = layer_of(list(shapely.linestrings(ends)), PASS=[str(k) for k in range(100_000)])
    write_coop(tmp_path, strips=tiny.assign(WIDE="8 in"))
    settings = plain(tmp_path)
    settings["inputs"]["strips"]["columns"]["strip_width"] = "WIDE"
    said, rejects = taken(settings, tmp_path)
    assert said["strips"]["kept"] == 100_000
    assert len(rejects) == 0


NESTED = "GEOMETRYCOLLECTION(" * 400_000 + "POINT (1 1)" + ")" * 400_000


def test_text_of_a_collection_in_a_collection(tmp_path):
    write_coop(tmp_path)
    rows = [f'"{line.wkt}"' for line in pass_lines(0)] + [f'"{NESTED}"', '"CIRCULARSTRING (0 0, 1 1, 2 0)"']
    (tmp_path / "strips.csv").write_text("\n".join(["wkt", *rows]))
    settings = with_strips_from(tmp_path, tmp_path / "strips.csv", None)
    settings["inputs"]["strips"] |= {"crs": "EPSG:32614", "columns": {}}
    said, rejects = taken(settings, tmp_path)
    assert said["strips"]["kept"] == 4
    assert reasons(rejects) == dict.fromkeys("56", "geometry is a collection or another kind that is not used here")


@pytest.mark.parametrize(
    ("blob", "reason"),
    [
        (b"garbage", "geometry is not well-known binary"),
        (COLLECTIONS, "geometry is a collection or another kind that is not used here"),
        (wkb_line(GOOD)[:-3], "geometry cannot be read: Input buffer is smaller than requested object size"),
        (struct.pack("<BII", 1, 8, 3) + struct.pack("<6d", 0, 0, 1, 1, 2, 0),
         "geometry is a curve, which GeoParquet does not have"),
    ],
)  # fmt: skip
def test_bytes_in_the_place_of_a_line_in_geoparquet(tmp_path, blob, reason):
    write_coop(tmp_path)
    passes_of().to_parquet(tmp_path / "strips.parquet")
    table = pq.read_table(tmp_path / "strips.parquet")
    blobs = [blob, *table.column("geometry").to_pylist()[1:]]
    pq.write_table(table.set_column(1, table.schema.field("geometry"), pa.array(blobs)), tmp_path / "strips.parquet")
    said, rejects = taken(with_strips_from(tmp_path, tmp_path / "strips.parquet", None), tmp_path)
    assert said["strips"]["kept"] == 7
    assert reasons(rejects) == {"0": reason}


@pytest.mark.parametrize(
    "geo", [b"", b"{", b"[]", b"{}", b'{"primary_column": "x", "columns": {}}',
            b'{"primary_column": "PASS", "columns": {"PASS": {"encoding": "WKB"}}}']
)  # fmt: skip
def test_geoparquet_that_is_none(tmp_path, geo):
    write_coop(tmp_path)
    passes_of().to_parquet(tmp_path / "strips.parquet")
    table = pq.read_table(tmp_path / "strips.parquet")
    pq.write_table(table.replace_schema_metadata({b"geo": geo}), tmp_path / "strips.parquet")
    message = refused(with_strips_from(tmp_path, tmp_path / "strips.parquet", None), tmp_path)
    assert message.startswith("inputs.strips: DIR/strips.parquet, layer 'strips': is not GeoParquet (")


# --- names -----------------------------------------------------------------------------------------------------

DECOMPOSED = unicodedata.normalize("NFD", "Érable")
NAMES = [
    "a/b", "../../outside", "..", ".", "a\\b", 'say "field"', "O'Brien", "'; DROP TABLE strips; --", "\U0001f33d corn",
    "x" * 300, "North.", "CON", "con.txt", "LPT1", "-rf", "=1+1", '=HYPERLINK("http://invalid.invalid","x")', "+A1", "-A1",
    "@SUM(A1)", "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "$x^2$", "%s {0} %(a)s", DECOMPOSED, "-12", "<5 ac",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_field_id_of_any_text(tmp_path, name):
    fields = boundaries()
    fields["FIELD"] = [name, "F2"]
    write_coop(tmp_path, fields=fields, strips=passes_of().assign(FIELD=[name] * 4 + ["F2"] * 4))
    settings = plain(tmp_path)
    settings["inputs"]["strips"]["columns"]["field_id"] = "FIELD"
    said, rejects = taken(settings, tmp_path)
    assert len(rejects) == 0
    assert said["strips"]["kept"] == 8
    folders = [one for names in read_json(tmp_path / "work/intake.json")["batches"].values() for one in names]
    assert len(set(folders)) == 2
    for folder in folders:
        assert unicodedata.is_normalized("NFC", folder) and "/" not in folder and "\\" not in folder and len(folder.encode()) <= 110
        assert folder.strip(". ") == folder and not folder.startswith("-")
        assert folder.split(".")[0].lower() not in {"con", "prn", "aux", "nul", "lpt1"}


@pytest.mark.parametrize(
    ("name", "code"),
    [("a\nb", "U+000A"), ("a\tb", "U+0009"), ("\x1b[31mred", "U+001B"), ("right\u202eleft", "U+202E"), ("a\x7f", "U+007F"),
     ("two\u2028lines", "U+2028"), ("zero\u200bwidth", "U+200B")],
)  # fmt: skip
def test_field_id_that_does_not_print_is_a_reject(tmp_path, name, code):
    fields = boundaries()
    fields["FIELD"] = [name, "F2"]
    write_coop(tmp_path, fields=fields)
    _, rejects = taken(plain(tmp_path), tmp_path)
    assert reasons(rejects[rejects["layer"] == "fields"]) == {
        "1": f"field_id holds {code}, expected characters that print; rename the field"
    }


@pytest.mark.parametrize(
    ("names", "shared"),
    [
        (["F0", "F0 "], "F0"),
        (["F0", "\tF0\n"], "F0"),
        ([unicodedata.normalize("NFC", "Érable"), DECOMPOSED], unicodedata.normalize("NFC", "Érable")),
    ],
)
def test_field_ids_that_look_alike_are_refused(tmp_path, names, shared):
    write_coop(tmp_path, fields=boundaries().assign(FIELD=names))
    assert refused(plain(tmp_path), tmp_path) == (
        f"inputs.fields: DIR/coop.gpkg, layer 'fields': features 1, 2 share the field_id '{shared}'; expected one feature a "
        "field, dissolve them or rename one"
    )


@pytest.mark.parametrize("names", [["North", "north"], ["\u00b5 7", "\u03bc 7"], ["STRASSE", "Straße"]])
def test_field_ids_that_differ_by_case_only(tmp_path, names):
    write_coop(tmp_path, fields=boundaries().assign(FIELD=names[::-1]))
    assert refused(plain(tmp_path), tmp_path) == (
        f"inputs.fields: field_ids '{names[0]}' and '{names[1]}' would share a results folder on some disks; rename one of them"
    )


def test_field_ids_that_the_tables_would_make_alike(tmp_path):
    write_coop(tmp_path, fields=boundaries().assign(FIELD=["=A1", "'=A1"]))
    assert refused(plain(tmp_path), tmp_path) == (
        "inputs.fields: field_ids ''=A1' and '=A1' would be alike in the tables, where formula signs and markup are defused; "
        "rename one of them"
    )


def test_numbers_as_field_ids_join_whatever_their_type(tmp_path):
    # Whole numbers with a gap arrive as floats in one layer and as integers in the other.
    fields = pd.concat([boundaries().assign(FIELD=[7.0, 8.0]), layer_of([area(2)], FIELD=[np.nan], FARM=[""])])
    write_coop(tmp_path, fields=fields, strips=passes_of().assign(FIELD=[7] * 4 + [8] * 4))
    settings = plain(tmp_path)
    settings["inputs"]["strips"]["columns"]["field_id"] = "FIELD"
    said, rejects = taken(settings, tmp_path)
    assert said["strips"]["kept"] == 8
    assert reasons(rejects) == {"3": "has no field_id"}


@pytest.mark.parametrize("layer", ['say "strips"', "strips'; DROP TABLE fields; --", "strips\nlayer", "a]b[c`d", "\u202e"])
def test_layer_names_of_any_text(tmp_path, layer):
    path = write_coop(tmp_path)
    pyogrio.write_dataframe(passes_of(), path, layer=layer, append=True)
    said, _ = taken(with_strips_from(tmp_path, path, layer), tmp_path)
    assert said["strips"]["kept"] == 8
    assert {"fields", "strips", layer} == set(pyogrio.list_layers(path)[:, 0])


@pytest.mark.parametrize("column", ['say "pass"', "PASS' OR '1'='1", "a]b", "SELECT", "x; DROP TABLE strips"])
def test_column_names_of_any_text(tmp_path, column):
    write_coop(tmp_path, strips=passes_of().rename(columns={"PASS": column}))
    settings = plain(tmp_path)
    settings["inputs"]["strips"]["columns"]["pass_id"] = column
    said, _ = taken(settings, tmp_path)
    assert said["strips"]["kept"] == 8
    strips = pd.concat([read_geo(p) for p in (tmp_path / "work/intake").glob("*/strips.parquet")])
    assert set(strips["pass_id"]) == {"P0", "P1", "P2", "P3"}


def test_missing_layer_with_a_hostile_name(tmp_path):
    path = write_coop(tmp_path)
    assert refused(with_strips_from(tmp_path, path, "\x1b[2J" + "y" * 5000), tmp_path) == (
        "inputs.strips: DIR/coop.gpkg has no layer '\\x1b[2J" + "y" * 70 + "...'; did you mean 'strips'? Known: fields, strips"
    )


def test_column_that_holds_no_plain_values(tmp_path):
    path = write_coop(tmp_path)
    base = sqlite3.connect(path)
    base.execute("ALTER TABLE strips ADD COLUMN PICTURE BLOB")
    base.commit()
    base.close()
    settings = plain(tmp_path)
    settings["inputs"]["strips"]["columns"]["pass_id"] = "PICTURE"
    assert refused(settings, tmp_path) == (
        "inputs.strips: DIR/coop.gpkg, layer 'strips': column 'PICTURE' holds values of type binary; expected text, numbers or "
        "times, name another"
    )


# --- values ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("when", ["1e300", "2026-02-30T00:00:00Z", "99999-01-01", "=NOW()"])
def test_text_that_is_no_time(tmp_path, when):
    write_coop(tmp_path, strips=passes_of().assign(T0=when))
    settings = plain(tmp_path)
    settings["inputs"]["strips"]["columns"]["started_at"] = "T0"
    assert refused(settings, tmp_path) == (
        f"inputs.strips: DIR/coop.gpkg, layer 'strips': feature 1: started_at: '{when}' is not a time; expected ISO 8601 in "
        "UTC, as in '2026-04-20T14:05:00Z', or a date-time column; correct it in the layer"
    )


@pytest.mark.parametrize("when", ["0000-01-01T00:00:00Z", "-1", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "1979-12-31T23:59:59Z"])
def test_time_out_of_range(tmp_path, when):
    write_coop(tmp_path, strips=passes_of().assign(T0=when))
    settings = plain(tmp_path)
    settings["inputs"]["strips"]["columns"]["started_at"] = "T0"
    assert refused(settings, tmp_path) == (
        f"inputs.strips: DIR/coop.gpkg, layer 'strips': feature 1: started_at: '{when}' is out of range; expected a time from "
        "1980 to 2100; correct it in the layer"
    )


@pytest.mark.parametrize("epoch", [1e300, -5.0, 0.0, 2100.5])
def test_epoch_out_of_range(tmp_path, epoch):
    write_coop(tmp_path, strips=passes_of().assign(FRAME="ITRF2020", EPOCH=epoch))
    settings = plain(tmp_path)
    settings["inputs"]["strips"]["columns"] |= {"frame": "FRAME", "epoch": "EPOCH"}
    assert refused(settings, tmp_path) == (
        f"inputs.strips: DIR/coop.gpkg, layer 'strips': feature 1: epoch is {epoch:g}; expected a decimal year from 1980 to "
        "2100, correct it in the layer"
    )


@pytest.mark.parametrize("count", [1e300, -1.0, 0.5, float("inf")])
def test_row_count_out_of_range(tmp_path, count):
    strips = passes_of().assign(ROWS=12.0)
    strips.loc[0, "ROWS"] = count
    write_coop(tmp_path, strips=strips)
    settings = plain(tmp_path)
    settings["inputs"]["strips"]["columns"]["row_count"] = "ROWS"
    _, rejects = taken(settings, tmp_path)
    assert reasons(rejects) == {"1": f"row_count is {count:g}, expected a whole number, 1 to 120"}


@pytest.mark.parametrize(("said", "told"), [("twelve", "'twelve'"), (None, "missing"), ("a dozen", "'a dozen'")])
def test_row_count_that_is_no_number(tmp_path, said, told):
    strips = passes_of().assign(ROWS=[said, *["12"] * 7])
    write_coop(tmp_path, strips=strips)
    settings = plain(tmp_path)
    del settings["inputs"]["strips"]["constants"]["row_count"]
    settings["inputs"]["strips"]["columns"]["row_count"] = "ROWS"
    _, rejects = taken(settings, tmp_path)
    assert reasons(rejects) == {"1": f"row_count is {told}, expected a whole number, 1 to 120"}


def test_time_in_the_place_of_a_width(tmp_path):
    write_coop(tmp_path, strips=passes_of().assign(WIDE=pd.Timestamp("2026-04-20", tz="UTC")))
    settings = plain(tmp_path)
    settings["inputs"]["strips"]["columns"]["strip_width"] = "WIDE"
    assert refused(settings, tmp_path) == (
        "inputs.strips: DIR/coop.gpkg, layer 'strips': feature 1: strip_width: '2026-04-20 00:00:00+00:00' is not a length; "
        "expected a number of metres, or text as '1 m' or '1 in'; correct it in the layer"
    )


# --- CRS -------------------------------------------------------------------------------------------------------

NO_DATUM = (
    'PROJCS["odd",GEOGCS["odd",DATUM["unknown",SPHEROID["WGS 84",6378137,298.257223563]],PRIMEM["Greenwich",0],'
    'UNIT["degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],PARAMETER["central_meridian",-99],UNIT["metre",1]]'
)
MEND = "assign the one it was recorded in (it is never guessed)"


@pytest.mark.parametrize(
    ("crs", "fault"),
    [
        ('LOCAL_CS["Yard",UNIT["metre",1]]',
         f"CRS 'Yard' is of type Engineering CRS; expected a projected or geographic one, {MEND}"),
        ("EPSG:5703", f"CRS 'NAVD88 height' is of type Vertical CRS; expected a projected or geographic one, {MEND}"),
        ("EPSG:4978", f"CRS 'WGS 84' is of type Geocentric CRS; expected a projected or geographic one, {MEND}"),
        (NO_DATUM, f"CRS 'odd' has no known datum ('unknown'); {MEND}"),
    ],
)  # fmt: skip
def test_crs_that_is_not_tied_to_the_ground(tmp_path, crs, fault):
    write_coop(tmp_path)
    strips = passes_of().set_crs(crs, allow_override=True)
    pyogrio.write_dataframe(strips, tmp_path / "odd.fgb", driver="FlatGeobuf")
    assert refused(with_strips_from(tmp_path, tmp_path / "odd.fgb", "odd"), tmp_path) == (
        f"inputs.strips: DIR/odd.fgb, layer 'odd': {fault}"
    )


@pytest.mark.parametrize(
    ("srs", "fault"),
    [
        (-1, f"CRS 'Undefined Cartesian SRS' is of type Engineering CRS; expected a projected or geographic one, {MEND}"),
        (0, f"CRS 'Undefined geographic SRS' has no known datum ('unknown'); {MEND}"),
        (424242, f"has no CRS; {MEND}: add 'crs:' to the layer, as in crs: EPSG:4326 for a receiver's longitude and latitude, or "
         "for a Shapefile its .prj file"),
    ],
)  # fmt: skip
def test_geopackage_without_a_defined_crs(tmp_path, srs, fault):
    path = write_coop(tmp_path)
    base = sqlite3.connect(path)
    for table, name in (("gpkg_contents", "table_name"), ("gpkg_geometry_columns", "table_name")):
        base.execute(f"UPDATE {table} SET srs_id = ? WHERE {name} = 'strips'", (srs,))
    base.commit()
    base.close()
    assert refused(plain(tmp_path), tmp_path) == f"inputs.strips: DIR/coop.gpkg, layer 'strips': {fault}"


# --- YAML ------------------------------------------------------------------------------------------------------

BOMB = "a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"a{k}: &a{k} [{', '.join([f'*a{k - 1}'] * 10)}]\n" for k in range(1, 10)
)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (BOMB, ", line 5: more than 20,000 values, aliases counted each time; write fewer; correct the YAML there"),
        ("a: &a [*a]", ", line 1: an alias stands inside its own anchor; write the values out; correct the YAML there"),
        ("[" * 5000, ", line 1: more than 20 levels of nesting; expected a few, as config/README.md shows; correct the YAML there"),
        ("{a: " * 5000,
         ", line 1: more than 20 levels of nesting; expected a few, as config/README.md shows; correct the YAML there"),
        ("title: a\ntitle: b", ", line 2: the key 'title' is written twice; keep one; correct the YAML there"),
        ("a: !!python/object/apply:os.system ['true']",
         ", line 1: could not determine a constructor for the tag 'tag:yaml.org,2002:python/object/apply:os.system'; correct "
         "the YAML there"),
        ("a: 1\n---\nb: 2",
         ", line 2: expected a single document in the stream, but found another document; correct the YAML there"),
        ("? [a, b]\n: 1", ", line 1: a key is a list or a mapping; expected a plain word; correct the YAML there"),
        ("a: *b", ", line 1: found undefined alias 'b'; correct the YAML there"),
        ("a: [", ", line 1: while parsing a flow node, expected the node content, but found '<stream end>'; correct the YAML there"),
        ('a: "\\uD800"',
         ", line 1: half of a surrogate pair; expected whole characters, write the character itself; correct the YAML there"),
        ("a: 2026-13-45", ": not readable as YAML (month must be in 1..12)"),
        ("a: \x07",
         ': not readable as YAML (unacceptable character #x0007: special characters are not allowed in "<unicode string>", '
         "position 3)"),
    ],
)  # fmt: skip
def test_hostile_yaml(tmp_path, text, message):
    (tmp_path / "mine.yaml").write_text(text)
    start = time.process_time()
    with pytest.raises(ConfigError) as caught:
        read_yaml(tmp_path / "mine.yaml")
    assert time.process_time() - start < LIMIT_S
    assert str(caught.value) == f"{tmp_path}/mine.yaml{message}"


def test_yaml_that_is_not_utf_8(tmp_path):
    (tmp_path / "mine.yaml").write_bytes("title: caf\u00e9".encode("latin-1"))
    with pytest.raises(ConfigError) as caught:
        read_yaml(tmp_path / "mine.yaml")
    assert str(caught.value) == (
        f"{tmp_path}/mine.yaml: cannot be read ('utf-8' codec can't decode byte 0xe9 in position 10: unexpected end of data); "
        "expected a YAML file, check the path"
    )


@pytest.mark.parametrize("name", ["folder", "/dev/zero"])
def test_yaml_that_is_no_file(tmp_path, name):
    (tmp_path / "folder").mkdir()
    with pytest.raises(ConfigError) as caught:
        read_yaml(tmp_path / name)
    assert str(caught.value) == f"{tmp_path / name}: is no file; expected a YAML file, check the path"


def test_huge_yaml(tmp_path):
    (tmp_path / "mine.yaml").write_text("# " + "x" * 10_000_000)
    with pytest.raises(ConfigError) as caught:
        read_yaml(tmp_path / "mine.yaml")
    assert str(caught.value) == (
        f"{tmp_path}/mine.yaml: is larger than 200,000 bytes; expected a configuration or catalogue, check it"
    )


def test_anchors_in_measure_are_welcome():
    assert parse_yaml("a: &a {x: 1}\nb: {<<: *a, y: 2}", source="t") == {"a": {"x": 1}, "b": {"x": 1, "y": 2}}


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        ("title", ["a"], "mine.yaml: title: found ['a'], expected a valid string; correct it as config/README.md shows"),
        ("inputs", "all", "mine.yaml: inputs: found 'all', expected keys with values under it; correct it as "
         "config/README.md shows"),
        ("judging.seed", 2.5, "mine.yaml: judging.seed: found 2.5, expected a valid integer; correct it as "
         "config/README.md shows"),
        ("judging.row_miss_share", float("nan"),
         "mine.yaml: judging.row_miss_share: found nan, expected a finite number; correct it as config/README.md shows"),
        ("inputs.strips.columns", {1: "a"}, "mine.yaml: inputs.strips.columns.1.[key]: found the value 1, expected text; "
         "put it in quotes"),
        ("inputs.strips.constants.row_count", True, "mine.yaml: inputs.strips.constants.row_count: found True, expected "
         "a valid integer; correct it as config/README.md shows"),
        ("judging", None, "mine.yaml: judging: found None, expected keys with values under it; correct it as config/README.md "
         "shows"),
        ("inputs.strips.columns", ["a"], "mine.yaml: inputs.strips.columns: found ['a'], expected keys with values under it; "
         "correct it as config/README.md shows"),
    ],
)  # fmt: skip
def test_wrong_types_in_the_configuration(tmp_path, path, value, message):
    write_coop(tmp_path)
    settings = copy.deepcopy(plain(tmp_path))
    at = settings
    *way, last = path.split(".")
    for key in way:
        at = at.setdefault(key, {})
    at[last] = value
    assert refused(settings, tmp_path, ConfigError) == message


# --- what people open ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("=1+1", "'=1+1"), ("+A1", "'+A1"), ("-A1", "'-A1"), ("@SUM", "'@SUM"), (" =1", "' =1"), ("\uff1d1", "'\uff1d1"),
        ("\t=1", "'\ufffd=1"), ("-12", "-12"), ("+1.5", "+1.5"), ("-1e5", "'-1e5"), ("North = South", "North = South"),
        ("<script>", "\u2039script>"), ("</td>", "\u2039/td>"), ("<!--", "\u2039!--"), ("<5 ac", "<5 ac"), ("a < b", "a < b"),
        ("a\nb", "a\ufffdb"), ("a\0", "a\ufffd"), ("\u202eabc", "\ufffdabc"), ("'=1", "'=1"), ("", ""),
        ("\U0001f468\u200d\U0001f33e", "\U0001f468\u200d\U0001f33e"),
    ],
)  # fmt: skip
def test_safe_text(text, safe):
    assert safe_text(text) == safe
    assert safe_text(safe) == safe


def test_tables_and_layers_carry_nothing_live_and_still_join(tmp_path):
    from pipeline.steps import layers as step

    evil, farm, number = '=HYPERLINK("http://invalid.invalid")', "<b onmouseover=x>@farm", "@pass"
    fields = boundaries().assign(FIELD=[evil, "-12"], FARM=farm)
    bad = layer_of([shapely.LineString([(X, Y), (X, Y)])], PASS=["+1+1"])
    strips = pd.concat([passes_of().assign(PASS=number), bad], ignore_index=True)
    write_coop(tmp_path, fields=fields, strips=strips)
    tables = run_steps(plain(tmp_path), tmp_path)
    for table in (tables[name] for name in ("fields", "rows", "passes")):
        assert set(table["field_id"]) == {"'" + evil, "-12"}
        assert set(table["farm"]) == {"\u2039b onmouseover=x>@farm"}
    assert set(tables["passes"]["pass_id"].str[:6]) == {"'@pass"}
    work = tmp_path / "work"
    passes = sorted((work / "passes").iterdir())
    step.run(
        bands=[], passes=passes, rejects=work / "rejects.parquet", summary=tmp_path / "results/field_tier.csv",
        crs_from=work / "settings/crs.json", out=tmp_path / "results/rowreturn.gpkg",
        lines_out=tmp_path / "results/shifted_lines.gpkg", rejects_out=tmp_path / "results/rejects.csv",
    )  # fmt: skip
    summary = gpd.read_file(tmp_path / "results/rowreturn.gpkg", layer="field_summary")
    assert set(summary["field_id"]) == {"'" + evil, "-12"}
    assert (summary["row_length_m"] > 0).all()  # so the figures of the CSV were found by the id
    assert set(summary["farm"]) == {"\u2039b onmouseover=x>@farm"}
    rejects = gpd.read_file(tmp_path / "results/rowreturn.gpkg", layer="rejects")
    assert list(rejects["reason"]) == ["line of zero length"]
    assert {path.name for path in (tmp_path / "results/fields").iterdir()} == {field_folder(evil), field_folder("-12")}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("title: again\n", "the key 'title' is written twice; keep one; correct the YAML there"),
        ("judging: {seed: &a [*a]}\n", "an alias stands inside its own anchor; write the values out; correct the YAML there"),
    ],
)
def test_workflow_reads_the_configuration_as_strictly(tmp_path, text, message):
    write_coop(tmp_path)
    whole = "title: once\n" + yaml.safe_dump({k: v for k, v in plain(tmp_path).items() if k != "title"}) + text
    (tmp_path / "mine.yaml").write_text(whole)
    before = listing(tmp_path)
    settings = plain(tmp_path)
    done = snakemake_on(tmp_path)
    assert done.returncode != 0
    assert "Traceback" not in done.stdout, done.stdout
    assert f"{len(whole.splitlines())}: {message}" in done.stdout, done.stdout
    assert {name for name in listing(tmp_path) if not name.startswith(".snakemake")} == before
    assert settings["title"] == "Invented fields"


def snakemake_on(folder):
    """The workflow on the file mine.yaml as it stands."""
    import subprocess
    import sys

    from workflow import PROJECT

    return subprocess.run(
        [sys.executable, "-m", "snakemake", "-s", str(PROJECT / "Snakefile"), "--directory", str(folder), "--cores", "1",
         "--configfile", str(folder / "mine.yaml"), "--nocolor"],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False, timeout=120,
    )  # fmt: skip
