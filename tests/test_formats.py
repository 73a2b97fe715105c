"""Every format a co-op has: what another reader counts and measures in the file is what the intake takes in."""

import json
import shutil
import sqlite3
import struct
import zipfile
from pathlib import Path

import fiona
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from pyproj import Geod, Transformer
from workflow import CRS, boundaries, config, layer_of, pass_lines, passes_of, run_steps, snakemake, take_in, write_coop

from pipeline.errors import InputError
from pipeline.files.file_parts import parts_of
from pipeline.files.store import read_geo, read_json

GEOD = Geod(ellps="WGS84")


def settings_with(folder: Path, **strips) -> dict:
    """The usual configuration, with other keys for the strips; a key set to None is taken out."""
    settings = config(folder, planter=False)
    settings["inputs"]["strips"] |= strips
    settings["inputs"]["strips"] = {key: value for key, value in settings["inputs"]["strips"].items() if value is not None}
    return settings


def taken(folder: Path, **strips) -> dict:
    """What intake.json says after reading strips from another file."""
    write_coop(folder)
    return read_json(take_in(settings_with(folder, **strips), folder) / "intake.json")


def kept(folder: Path) -> pd.DataFrame:
    """Strips of all batches."""
    return pd.concat([read_geo(path) for path in sorted((folder / "work").glob("intake/*/strips.parquet"))])


def refused(folder: Path, **strips) -> str:
    """The one message that intake ends with."""
    write_coop(folder)
    with pytest.raises(InputError) as caught:
        take_in(settings_with(folder, **strips), folder)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def by_fiona(path: str, layer: str | None = None) -> tuple[int, float]:
    """Features of a file and their length along the ellipsoid [m], by fiona and pyproj.Geod."""
    with fiona.open(path, layer=layer) as source:
        turn = Transformer.from_crs(source.crs_wkt, "EPSG:4326", always_xy=True)
        lines = [shapely.geometry.shape(one["geometry"]) for one in source]
    ends = [shapely.transform(line, lambda xy: np.column_stack(turn.transform(*xy.T))) for line in lines]
    return len(lines), sum(GEOD.geometry_length(line) for line in ends)


DRIVERS = {"GPKG": "s.gpkg", "ESRI Shapefile": "s.shp", "GeoJSON": "s.geojson", "FlatGeobuf": "s.fgb", "KML": "s.kml",
           "MapInfo File": "s.tab", "GML": "s.gml"}  # fmt: skip


@pytest.mark.parametrize("driver", DRIVERS)
def test_format_is_read_as_fiona_reads_it(tmp_path, driver):
    path = tmp_path / DRIVERS[driver]
    strips = passes_of()
    strips = strips.to_crs("EPSG:4326") if driver in ("GeoJSON", "KML") else strips
    pyogrio.write_dataframe(strips.rename(columns={"PASS": "Name"}), path, driver=driver)
    said = taken(tmp_path, file=str(path), layer=None, columns={"pass_id": "Name"})["layers"]["strips"]
    if driver == "KML":  # fiona has no KML reader; pyogrio counts it
        count, metres = pyogrio.read_info(path)["features"], None
    else:
        count, metres = by_fiona(str(path))
    assert (said["read"], said["kept"]) == (count, count) == (8, 8)
    if metres is not None:
        assert said["kept_m"] == pytest.approx(metres, rel=1e-6)
    assert sorted(kept(tmp_path)["pass_id"].unique()) == ["P0", "P1", "P2", "P3"]


def test_geoparquet(tmp_path):
    path = tmp_path / "s.parquet"
    strips = passes_of()
    strips.to_parquet(path)
    said = taken(tmp_path, file=str(path), layer=None)["layers"]["strips"]
    lonlat = strips.to_crs("EPSG:4326").geometry
    # Referee: pyproj.Geod on the lines as they were before they were written.
    assert (said["read"], said["kept"]) == (8, 8)
    assert said["kept_m"] == pytest.approx(sum(GEOD.geometry_length(line) for line in lonlat), rel=1e-6)


def test_parquet_without_geometry_is_refused(tmp_path):
    path = tmp_path / "s.parquet"
    pd.DataFrame({"a": [1]}).to_parquet(path)
    assert f"inputs.strips: {path}, layer 's': is not GeoParquet (" in refused(tmp_path, file=str(path), layer=None)


def shapefile(folder: Path) -> Path:
    path = folder / "shape" / "s.shp"
    path.parent.mkdir()
    pyogrio.write_dataframe(passes_of(), path, driver="ESRI Shapefile")
    return path


@pytest.mark.parametrize("form", ["zip", "folder"])
def test_zipped_shapefile_and_folder(tmp_path, form):
    path = shapefile(tmp_path)
    file = path.parent
    if form == "zip":
        file = tmp_path / "s.zip"
        with zipfile.ZipFile(file, "w") as archive:
            for part in path.parent.iterdir():
                archive.write(part, part.name)
    said = taken(tmp_path, file=str(file), layer=None)
    count, metres = by_fiona(str(path))
    assert (said["layers"]["strips"]["kept"], count) == (8, 8)
    assert said["layers"]["strips"]["kept_m"] == pytest.approx(metres, rel=1e-6)
    assert {Path(name).suffix for name in said["inputs"]} >= ({".zip"} if form == "zip" else {".shp", ".dbf", ".prj"})


def test_file_geodatabase(tmp_path):
    path, strips = tmp_path / "s.gdb", passes_of()
    try:
        pyogrio.write_dataframe(strips, path, layer="bar", driver="OpenFileGDB")
    except pyogrio.errors.DataSourceError as error:
        pytest.skip(f"this build of GDAL writes no file geodatabase: {error}")
    said = taken(tmp_path, file=str(path), layer="bar")
    # Referee: pyproj.Geod on the lines as they were before they were written.
    metres = sum(GEOD.geometry_length(line) for line in strips.to_crs("EPSG:4326").geometry)
    assert (said["layers"]["strips"]["read"], said["layers"]["strips"]["kept"]) == (8, 8)
    assert said["layers"]["strips"]["kept_m"] == pytest.approx(metres, rel=1e-6)
    assert sorted(kept(tmp_path)["pass_id"].unique()) == ["P0", "P1", "P2", "P3"]
    # All that lies in the folder is the input.
    assert {part.as_posix() for part in path.iterdir()} <= set(said["inputs"])


def test_all_parts_of_a_shapefile_are_hashed_and_are_inputs(tmp_path):
    path = shapefile(tmp_path)
    (path.parent / "s.qix").write_bytes(b"an index is no input")
    wanted = {path.with_suffix(ending).as_posix() for ending in (".shp", ".shx", ".dbf", ".prj", ".cpg")}
    assert set(parts_of(path.as_posix())) == wanted
    inputs = taken(tmp_path, file=path.as_posix(), layer=None)["inputs"]
    assert wanted <= set(inputs)


def test_changed_attribute_file_of_a_shapefile_reruns_the_intake(tmp_path):
    path = shapefile(tmp_path)
    write_coop(tmp_path)
    settings = settings_with(tmp_path, file=str(path), layer=None)
    first = snakemake(settings, tmp_path, "work/intake.json")
    assert first.returncode == 0, first.stdout
    pyogrio.write_dataframe(passes_of().assign(PASS="Q"), tmp_path / "t.shp", driver="ESRI Shapefile")
    shutil.copy(tmp_path / "t.dbf", path.with_suffix(".dbf"))
    again = snakemake(settings, tmp_path, "work/intake.json")
    assert again.returncode == 0, again.stdout
    assert set(kept(tmp_path)["pass_id"]) == {"Q"}


def test_shapefile_without_prj_needs_the_crs_told(tmp_path):
    path = shapefile(tmp_path)
    path.with_suffix(".prj").unlink()
    message = refused(tmp_path, file=str(path), layer=None)
    assert message.startswith(f"inputs.strips: {path}, layer 's': has no CRS; assign the one it was recorded in")
    assert ".prj" in message
    assert taken(tmp_path, file=str(path), layer=None, crs=CRS)["layers"]["strips"]["kept"] == 8


@pytest.mark.parametrize("told", [CRS, "EPSG:32613"])
def test_crs_told_beside_one_in_the_file(tmp_path, told):
    path = shapefile(tmp_path)  # its .prj is Esri's WKT of EPSG:32614
    if told == CRS:
        assert taken(tmp_path, file=str(path), layer=None, crs=told)["layers"]["strips"]["kept"] == 8
        return
    message = refused(tmp_path, file=str(path), layer=None, crs=told)
    assert "the file says its CRS is EPSG:32614 (WGS 84 / UTM zone 14N)" in message or "WGS_1984_UTM_Zone_14N" in message
    assert "the configuration crs: EPSG:32613; expected the same" in message


@pytest.mark.parametrize(("encoding", "cpg"), [("UTF-8", True), ("CP1252", True), ("UTF-8", False), ("CP1250", False)])
def test_encodings_of_a_shapefile(tmp_path, encoding, cpg):
    path = tmp_path / "s.shp"
    pyogrio.write_dataframe(passes_of().assign(PASS="Küster" if encoding != "CP1250" else "Łąka"), path, encoding=encoding)
    if not cpg:
        path.with_suffix(".cpg").unlink()
    taken(tmp_path, file=str(path), layer=None, encoding=None if cpg else encoding)
    assert set(kept(tmp_path)["pass_id"]) == {"Küster" if encoding != "CP1250" else "Łąka"}


def geojson(path: Path, lines, *, crs: str | None) -> Path:
    """GeoJSON written by hand, with the `crs` member of the 2008 format where one is given."""
    features = [
        {"type": "Feature", "properties": {"PASS": f"P{k}"}, "geometry": shapely.geometry.mapping(line)}
        for k, line in enumerate(lines)
    ]
    member = {"crs": {"type": "name", "properties": {"name": crs}}} if crs else {}
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features} | member))
    return path


def test_geojson_is_wgs84_by_its_standard_and_may_name_another_crs(tmp_path):
    plain = geojson(tmp_path / "a.geojson", passes_of().to_crs("EPSG:4326").geometry, crs=None)
    named = geojson(tmp_path / "b.geojson", passes_of().geometry, crs="urn:ogc:def:crs:EPSG::32614")
    lengths = [taken(tmp_path, file=str(path), layer=None)["layers"]["strips"]["kept_m"] for path in (plain, named)]
    assert lengths == pytest.approx([by_fiona(str(plain))[1]] * 2, rel=1e-6)


def test_geojson_of_metres_without_its_crs_is_refused(tmp_path):
    path = geojson(tmp_path / "a.geojson", passes_of().geometry, crs=None)
    assert "Is the layer really projected?" in refused(tmp_path, file=str(path), layer=None)
    assert "expected the same" in refused(tmp_path, file=str(path), layer=None, crs=CRS)


def wkt_table(path: Path, *, separator=",", encoding="utf-8", name="WKT", passes=None, start="") -> Path:
    """Passes as a text table with WKT."""
    passes = [f"P{k}" for k in range(8)] if passes is None else passes
    lines = [line for number in (0, 1) for line in pass_lines(number)]
    rows = [f'{said}{separator}"{line.wkt}"' for said, line in zip(passes, lines, strict=True)]
    path.write_bytes((start + "\r\n".join([f"PASS{separator}{name}", *rows]) + "\r\n").encode(encoding))
    return path


@pytest.mark.parametrize(
    ("separator", "encoding", "start"),
    [(",", "utf-8", ""), (";", "utf-8-sig", ""), ("\t", "utf-16", ""), (";", "cp1252", ""), (",", "utf-8", "sep=,\r\n")],
)
def test_text_table_of_wkt_lines(tmp_path, separator, encoding, start):
    names = [f"Käfer {k}" for k in range(8)]
    path = wkt_table(tmp_path / "s.csv", separator=separator, encoding=encoding, passes=names, start=start)
    said = taken(tmp_path, file=str(path), layer=None, crs=CRS)
    assert said["layers"]["strips"]["kept"] == 8
    # Eight passes of 120 m (arithmetic); UTM's scale is 0.9996 and up.
    assert said["layers"]["strips"]["kept_m"] == pytest.approx(960.0, rel=1e-3)
    assert sorted(kept(tmp_path)["pass_id"]) == names
    assert any("was read as Windows-1252" in note for note in said["notes"]) == (encoding == "cp1252")


def test_text_table_needs_its_crs(tmp_path):
    path = wkt_table(tmp_path / "s.csv")
    message = refused(tmp_path, file=str(path), layer=None)
    assert message.startswith(f"inputs.strips: {path}, layer 's': has no CRS;")
    assert "crs: EPSG:4326" in message


def test_codes_of_a_text_table_keep_their_zeros(tmp_path):
    names = [f"00{k}" for k in range(8)]
    taken(tmp_path, file=str(wkt_table(tmp_path / "s.csv", passes=names)), layer=None, crs=CRS)
    assert sorted(kept(tmp_path)["pass_id"]) == names


def bases_of(folder: Path, text: str, **how) -> float:
    """Distance of field F0 from the base that a text table names [m]."""
    write_coop(folder)
    path = folder / "bases.csv"
    path.write_bytes(text.encode())
    settings = config(folder, planter=False)
    settings["inputs"]["bases"] = {"file": str(path)} | how
    work = take_in(settings, folder)
    fields = pd.concat([read_geo(one) for one in work.glob("intake/*/fields.parquet")])
    return float(fields.set_index("field_id")["baseline_m"]["F0"])


def base_distance(lon: float, lat: float) -> float:
    """The same by pyproj alone."""
    middle = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(600_060.0, 4_600_025.0)
    return Geod(ellps="GRS80").inv(*middle, lon, lat)[2]


@pytest.mark.parametrize(
    ("text", "how"),
    [
        ("base_id,lon,lat\nB,-97.75,41.5\n", {}),
        ("base_id,LONGITUDE,Latitude\nB,-97.75,41.5\n", {}),
        ("base_id;lat;lon\nB;41,5;-97,75\n", {}),
        ("\n \nbase_id,lat,lon\nB,41.5,-97.75\n", {}),
        ("base_id\tlat\tlng\nB\t41.5\t-97.75\n\n", {}),
        ("base_id,E,N\nB,-97.75,41.5\n", {"columns": {"x": "E", "y": "N"}}),
        ('base_id,where\nB,"POINT (-97.75 41.5)"\n', {"columns": {"wkt": "where"}}),
    ],
)
def test_points_of_a_text_table(tmp_path, text, how):
    assert bases_of(tmp_path, text, crs="EPSG:4326", **how) == pytest.approx(base_distance(-97.75, 41.5), abs=0.01)


def test_eastings_with_thousands_and_a_decimal_comma(tmp_path):
    east, north = Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(-97.75, 41.5)
    said = [f"{v:,.3f}".replace(",", " ").replace(".", ",").replace(" ", ".") for v in (east, north)]
    assert said[0].count(".") == 1 and said[0].count(",") == 1
    text = f"base_id;easting;northing\nB;{said[0]};{said[1]}\n"
    assert bases_of(tmp_path, text, crs=CRS) == pytest.approx(base_distance(-97.75, 41.5), abs=0.01)


@pytest.mark.parametrize(
    ("text", "columns", "message"),
    [
        ("a,b\n1,2\n", {}, "no column of coordinates is known among a, b; add under columns {x: "),
        ("lon,lat\n-97.75,41°30'N\n", {}, "feature 1: lat: '41°30'N' is not a coordinate; expected a decimal number"),
        ("lon,lat\n-97.75\n", {}, "line 2 has 1 values, the header 2"),
        ("lon,lat,lat\n1,2,3\n", {}, "has two columns 'lat'; expected each name once"),
        ("lon,lat\n-97.75,41.5\n", {"x": "LON", "y": "lat"}, "has no column 'LON' (for x); did you mean 'lon'?"),
        ("lon,lat\n-97.75,41.5\n", {"x": "lon"}, "expected x and y together under columns, or wkt alone"),
        ("wkt\nPOINT -97 41\n", {}, "feature 1: wkt: 'POINT -97 41' is not WKT; expected for example"),
    ],
)
def test_text_table_that_cannot_be_read(tmp_path, text, columns, message):
    with pytest.raises(InputError) as caught:
        bases_of(tmp_path, text, crs="EPSG:4326", columns=columns)
    assert str(caught.value).startswith(f"inputs.bases: {tmp_path}/bases.csv, layer 'bases': ")
    assert message in str(caught.value)


def rejected(folder: Path) -> dict[str, str]:
    """Reasons by feature."""
    table = read_geo(folder / "work" / "rejects.parquet")
    return dict(zip(table["feature"], table["reason"], strict=True))


def test_a_bad_record_of_a_text_table_is_a_reject(tmp_path):
    path = wkt_table(tmp_path / "s.csv")
    whole = path.read_text().splitlines()
    more = [whole[1].replace("LINESTRING", "LINE"), whole[2][: whole[2].index(",")]]  # another word, a line broken off
    path.write_text("\n".join([*whole, *more]))
    said = taken(tmp_path, file=str(path), layer=None, crs=CRS)["layers"]["strips"]
    assert (said["read"], said["kept"], said["rejected"]) == (10, 8, 2)
    reasons = rejected(tmp_path)
    assert reasons["9"].startswith("WKT: 'LINE (600") and reasons["9"].endswith("' is not WKT")
    assert reasons["10"] == "line 11 has 1 values, the header 2"


def test_a_quote_left_open_swallows_no_records(tmp_path):
    path = wkt_table(tmp_path / "s.csv")
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines[:7], lines[7].removesuffix('"'), *lines[8:]]))
    message = refused(tmp_path, file=str(path), layer=None, crs=CRS)
    assert message.startswith(f"inputs.strips: {path}, layer 's': line 9 has 3 values, the header 2 (separated by ',');")


def log_table(folder: Path, *records: str) -> Path:
    """A text table of two passes every two metres as degrees, one point a second, and records besides."""
    xy = np.vstack([shapely.get_coordinates(shapely.segmentize(line, 2.0)) for line in pass_lines(0)[:2]])
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(*xy.T)
    time = pd.Timestamp("2025-10-20T14:00:00Z") + pd.to_timedelta(np.arange(len(xy)), unit="s")
    rows = [f"{t:%Y-%m-%dT%H:%M:%SZ},{a:.9f},{b:.9f},2.5" for t, a, b in zip(time, lon, lat, strict=True)]
    path = folder / "log.csv"
    path.write_text("\n".join(["time,lon,lat,speed", *rows, *records]))
    return path


def test_no_fix_a_sentinel_and_a_line_broken_off_are_rejects(tmp_path):
    records = ["2025-10-20T15:00:00Z,NaN,NaN,NaN", "2025-10-20T15:00:01Z,999.9,99.9,0", "2025-10-20T15:00:02Z,-97.8"]
    path = log_table(tmp_path, *records)
    columns = {"started_at": "time"}
    said = taken(tmp_path, file=str(path), layer=None, crs="EPSG:4326", columns=columns)["layers"]["strips"]
    assert (said["passes"], said["read"] - said["kept"]) == (2, said["rejected"])
    reasons, last = rejected(tmp_path), said["read"]
    assert reasons[str(last - 2)] == "lon: 'NaN' is not a coordinate"
    assert reasons[str(last - 1)] == "has longitude 999.9, latitude 99.9, expected degrees within 180 and 90"
    assert reasons[str(last)] == f"line {last + 1} has 2 values, the header 4"


def test_a_line_of_many_vertices_as_text(tmp_path):
    line = shapely.segmentize(pass_lines(0)[0], 0.02)
    assert len(line.wkt) > 131_072  # as much as the reader of text tables takes unasked
    path = tmp_path / "s.csv"
    path.write_text(f"wkt\n\"{line.wkt}\"\n")
    implement = {"row_count": 12, "row_spacing": "30 in", "strip_width": "8 in"}
    said = taken(tmp_path, file=str(path), layer=None, crs=CRS, columns={}, constants=implement)
    assert said["layers"]["strips"]["kept"] == 1


def test_empty_text_table(tmp_path):
    with pytest.raises(InputError) as caught:
        bases_of(tmp_path, "", crs="EPSG:4326")
    assert str(caught.value) == f"inputs.bases: file '{tmp_path}/bases.csv' is empty, 0 bytes; copy or export it again"


def test_text_table_of_another_encoding_than_told(tmp_path):
    with pytest.raises(InputError, match="is not ascii .byte 13.; give the right 'encoding:'"):
        bases_of(tmp_path, "base_id,lon\nKüste,1\n", crs="EPSG:4326", encoding="ascii")


def test_coordinates_named_for_a_file_that_has_geometry(tmp_path):
    message = refused(tmp_path, columns={"x": "PASS", "y": "PASS"})
    assert "columns: x is for text tables only; the file has its own geometry, remove it" in message


def with_geometries(path: Path, blobs: list[bytes], kind: str = "GEOMETRY", *, z=0, m=0) -> None:
    """Put geometries that no writer here has (curves, M, surfaces) in the place of the layer's first ones."""
    with sqlite3.connect(path) as base:
        base.create_function("ST_IsEmpty", 1, lambda _: 0)
        for bound in ("MinX", "MaxX", "MinY", "MaxY"):
            base.create_function(f"ST_{bound}", 1, lambda _: 0.0)
        for number, blob in enumerate(blobs, start=1):
            header = b"GP\x00\x01" + struct.pack("<i", 32614)
            base.execute("update strips set geom = ? where fid = ?", (header + blob, number))
        said = "update gpkg_geometry_columns set geometry_type_name = ?, z = ?, m = ? where table_name = 'strips'"
        base.execute(said, (kind, z, m))


def wkb(code: int, points) -> bytes:
    """WKB of a line-like geometry (OGC 06-103r4: 2 line, 8 circular string; +1000 Z, +2000 M)."""
    flat = [struct.pack(f"<{len(point)}d", *point) for point in points]
    return struct.pack("<BII", 1, code, len(points)) + b"".join(flat)


def test_arc_is_turned_into_chords_and_said(tmp_path):
    path = write_coop(tmp_path)
    # A half circle of radius 20 m inside the field: its length is 20 pi (closed form).
    east, north, radius = 600_060.0, 4_600_005.0, 20.0
    arc = wkb(8, [(east - radius, north), (east, north + radius), (east + radius, north)])
    with_geometries(path, [arc])
    work = take_in(config(tmp_path, planter=False), tmp_path)
    (note,) = (note for note in read_json(work / "intake.json")["notes"] if "CIRCULARSTRING" in note)
    assert note.endswith("arcs were turned into chords, one every 0.1 degrees")
    line = kept(tmp_path).set_index("pass_id").loc["P0"].geometry
    lengths = [one.length for one in line]
    assert min(abs(length - radius * np.pi) for length in lengths) < 1e-4


def test_surface_of_triangles_is_a_reject(tmp_path):
    path = write_coop(tmp_path)
    ring = struct.pack("<I8d", 4, 0, 0, 0, 1, 1, 1, 0, 0)
    tin = struct.pack("<BII", 1, 16, 1) + struct.pack("<BII", 1, 17, 1) + ring
    with_geometries(path, [tin])
    work = take_in(config(tmp_path, planter=False), tmp_path)
    rejects = read_geo(work / "rejects.parquet")
    assert read_json(work / "intake.json")["layers"]["strips"]["kept"] == 7
    assert rejects["feature"].tolist() == ["1"]
    assert rejects["reason"].tolist() == ["geometry is a collection or another kind that is not used here"]


@pytest.mark.parametrize(("code", "z", "m"), [(1002, 1, 0), (2002, 0, 1), (3002, 1, 1)])
def test_z_and_m_are_dropped_and_said(tmp_path, code, z, m):
    path = write_coop(tmp_path)
    blobs = [wkb(code, [(*xy, *[9.0] * (z + m)) for xy in line.coords]) for n in (0, 1) for line in pass_lines(n)]
    with_geometries(path, blobs, "LINESTRING", z=z, m=m)
    said = read_json(take_in(config(tmp_path, planter=False), tmp_path) / "intake.json")
    assert said["layers"]["strips"]["kept_m"] == pytest.approx(960.0, rel=1e-3)
    text = " ".join(said["notes"])
    assert ("Z of 8 features was dropped" in text) == bool(z)
    assert ("M of 8 features was dropped" in text) == bool(m)


def test_line_of_several_parts_is_said(tmp_path):
    lines = [*pass_lines(0), shapely.MultiLineString(pass_lines(1)[:2])]
    write_coop(tmp_path, strips=layer_of(lines, PASS=list("abcde")))
    notes = read_json(take_in(config(tmp_path, planter=False), tmp_path) / "intake.json")["notes"]
    place = f"inputs.strips: {tmp_path}/coop.gpkg, layer 'strips': "
    assert place + "1 feature is a line of several parts: each part counts as a pass of its own" in notes


def test_fields_from_a_text_table(tmp_path):
    path = tmp_path / "fields.csv"
    rows = [f'{name};"{shape.wkt}"' for name, shape in zip(("F0", "F2"), boundaries().geometry, strict=True)]
    path.write_text("\n".join(["FIELD;wkt", *rows]))
    write_coop(tmp_path)
    settings = config(tmp_path, planter=False)
    settings["inputs"]["fields"] = {"file": str(path), "columns": {"field_id": "FIELD"}, "crs": CRS}
    said = read_json(take_in(settings, tmp_path) / "intake.json")["layers"]
    assert (said["fields"]["kept"], said["strips"]["kept"]) == (2, 8)


# Degrees, a neighbouring zone, the web's Mercator, Nebraska in US survey feet and North America's Albers in metres.
@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:4269", "EPSG:32615", "EPSG:3857", "EPSG:26852", "ESRI:102008"])
def test_mixed_crs_of_layers(tmp_path, crs):
    metres = sum(GEOD.geometry_length(line) for line in passes_of().to_crs("EPSG:4326").geometry)
    path = tmp_path / "s.fgb"
    pyogrio.write_dataframe(passes_of().to_crs(crs), path, driver="FlatGeobuf")
    said = taken(tmp_path, file=str(path), layer=None)
    assert said["layers"]["strips"]["kept"] == 8
    assert said["layers"]["strips"]["kept_m"] == pytest.approx(metres, rel=1e-6)
    note = f"inputs.strips: {path}, layer 's': lies 1.8 degrees outside the area that "
    note += "EPSG:32615 (WGS 84 / UTM zone 15N) is for"
    assert (note in said["notes"]) == (crs == "EPSG:32615")


def test_fields_in_feet_have_their_area_in_square_metres(tmp_path):
    # Referee: pyproj.Geod on the boundaries; the rows' lengths follow from 48 rows of 120 m.
    boundaries_ft = boundaries().to_crs("EPSG:26852")
    write_coop(tmp_path, fields=boundaries_ft)
    fields = run_steps(config(tmp_path, planter=False), tmp_path)["fields"]
    lonlat = boundaries().to_crs("EPSG:4326").geometry
    areas = [abs(GEOD.geometry_area_perimeter(shape)[0]) for shape in lonlat]
    assert sorted(fields.groupby("field_id")["area_m2"].first()) == pytest.approx(sorted(areas), rel=1e-6)
    ground = GEOD.geometry_length(passes_of().to_crs("EPSG:4326").geometry[0])
    assert fields["row_length_m"].to_numpy() == pytest.approx(48 * ground, rel=1e-3)


@pytest.mark.parametrize("encoding", ["CP1250", None])
def test_encoding_of_a_mapinfo_file(tmp_path, encoding):
    path = tmp_path / "s.tab"
    pyogrio.write_dataframe(passes_of().assign(PASS="Łąka"), path, driver="MapInfo File", encoding="CP1250")
    if encoding is None:
        message = refused(tmp_path, file=str(path), layer=None)
        # Code page 1250 has the first letter at A3, where no letter of UTF-8 begins.
        assert message.endswith("text is not utf-8 (byte 0xa3); give 'encoding:' for the layer, as in encoding: latin-1")
        return
    taken(tmp_path, file=str(path), layer=None, encoding=encoding)
    assert set(kept(tmp_path)["pass_id"]) == {"Łąka"}


def test_column_of_codes_gives_the_codes(tmp_path):
    # A coded domain (OGC 12-128r19, annex F.9) describes its values; they are what other readers read.
    path = write_coop(tmp_path, strips=passes_of().assign(PASS=[1, 2] * 4))
    with sqlite3.connect(path) as base:
        base.execute(
            "CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, "
            "description TEXT, mime_type TEXT, constraint_name TEXT, PRIMARY KEY (table_name, column_name))"
        )
        base.execute(
            "CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, "
            "value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT)"
        )
        base.execute("INSERT INTO gpkg_data_columns VALUES ('strips', 'PASS', 'PASS', NULL, NULL, NULL, 'sides')")
        for value, name in (("1", "left"), ("2", "right")):
            row = ("sides", "enum", value, None, None, None, None, name)
            base.execute("INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
        extension = "('{}', NULL, 'gpkg_schema', 'http://www.geopackage.org/spec121/#extension_schema', 'read-write')"
        base.execute(
            "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, "
            "definition TEXT NOT NULL, scope TEXT NOT NULL)"
        )
        for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
            base.execute(f"INSERT INTO gpkg_extensions VALUES {extension.format(table)}")
    take_in(config(tmp_path, planter=False), tmp_path)
    with fiona.open(path, layer="strips") as source:
        theirs = {str(one["properties"]["PASS"]) for one in source}
    assert set(kept(tmp_path)["pass_id"]) == theirs == {"1", "2"}


@pytest.mark.parametrize("encoding", ["WKB", "geoarrow"])
def test_encodings_of_geoparquet(tmp_path, encoding):
    path = tmp_path / "s.parquet"
    passes_of().assign(T0=pd.Timestamp("2026-04-20T14:05:00Z")).to_parquet(path, geometry_encoding=encoding)
    said = taken(tmp_path, file=str(path), layer=None, columns={"pass_id": "PASS", "started_at": "T0"})
    assert said["layers"]["strips"]["kept"] == 8
    assert set(kept(tmp_path)["started_s"]) == {pd.Timestamp("2026-04-20T14:05:00Z").timestamp()}


@pytest.mark.parametrize(("told", "kept_count"), [(CRS, 8), (None, 0)])
def test_crs_told_where_a_geopackage_leaves_it_undefined(tmp_path, told, kept_count):
    # srs_id -1 and 0 stand for no CRS at all (OGC 12-128r19, 1.1.2.1.2).
    path = write_coop(tmp_path, name="undefined.gpkg")
    with sqlite3.connect(path) as base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        for table, name in (("gpkg_contents", "table_name"), ("gpkg_geometry_columns", "table_name")):
            base.execute(f"UPDATE {table} SET srs_id = -1 WHERE {name} = 'strips'")
    if told:
        assert taken(tmp_path, file=str(path), crs=told)["layers"]["strips"]["kept"] == kept_count
    else:
        assert "CRS 'Undefined Cartesian SRS' is of type Engineering CRS" in refused(tmp_path, file=str(path))
