"""Write the invented co-op "Quillback Prairie Growers": fields, strips, planter plan and bases.

Everything here is invented: growers, farms, fields, dates and tracks. The same seed gives the same bytes.
Tracks are built in a field's own plane (x along the rows, y across them, metres on the ground) and rounded
to 1 mm there, before the large grid coordinates are added, so the last bit of a sine cannot reach the file.
"""

import math
import os
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from demo_fields import EPOCH, FRAME, OVERSHOOT_M, SANDREED, UNNAMED_IN, DemoField, demo_fields
from demo_tracks import Track, driven, pieces, planned
from pyproj import Transformer
from shapely import LineString, Point, Polygon, box

SEED = 20260
FILE_NAME = "coop.gpkg"
FIELDS_CRS, LINES_CRS, BASES_CRS = "EPSG:26915", "EPSG:6344", "EPSG:6318"  # mixed on purpose
FILE_DATE = {"OGR_CURRENT_DATE": "2026-01-01T00:00:00.000Z"}
HEIGHT_M = 260.0  # above the ellipsoid, for the change of frame
CHECKED_IN, CHECKED_PASSES, LANDED_M = "QP01-quarter", (9, 30, 51, 72), (0.02, -0.06)
ZONES = (
    ("QP05-headland", box(0, -20, 45, 900), {"tier": "*", "factor": 2.0, "unavailable": False}),
    ("QP06-far", box(-20, -20, 260, 240), {"tier": "rtk_network", "factor": None, "unavailable": True}),
)
BASES = {"CATTAIL_SHOP": (424150, 4690350), "SANDREED_BIN": (430600, 4687900)}


def serpentine(passes: list[list[Track]]) -> list[Track]:
    """Return the pieces in working order: every other pass is driven back."""
    order = []
    for number, parts in enumerate(passes):
        back = number % 2 == 1
        order += [Track(part.xy_m[::-1], part.step_m) for part in parts[::-1]] if back else parts
    return order


def clock(
    lengths_m: list[float], *, start: datetime, rng: np.random.Generator
) -> Iterator[tuple[datetime, datetime]]:
    """Yield start and end of each piece: 8 to 10 km/h, a turn after each, a stop after every twentieth."""
    now = start
    for number, length_m in enumerate(lengths_m, start=1):
        speed_m_s = (8.0 + 2.0 * float(rng.random())) / 3.6
        end = now + timedelta(seconds=round(length_m / speed_m_s))
        yield now, end
        now = end + timedelta(seconds=25 + int(20 * rng.random()) + (900 if number % 20 == 0 else 0))


def to_grid(xy_m: np.ndarray, demo: DemoField, *, shift_m: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """Return grid coordinates (n, 2) [m, UTM 15N] of points in a field's own plane, to 1 mm."""
    east_m = demo.origin_m[0]
    scale = round(
        0.9996 * (1 + ((east_m - 500000) / 6380000) ** 2 / 2), 8
    )  # a grid metre is not a ground metre
    cos, sin = math.cos(math.radians(demo.heading_deg)), math.sin(math.radians(demo.heading_deg))
    x_m, y_m = xy_m[:, 0] * scale, xy_m[:, 1] * scale
    local_m = np.round(np.column_stack([x_m * cos - y_m * sin, x_m * sin + y_m * cos]), 3)
    return np.round(local_m + shift_m + demo.origin_m, 3)


def spring_shift(demo: DemoField) -> tuple[float, float]:
    """Return what to add [m, east and north] to write a place of NAD83(2011) in the field's spring frame.

    The layer keeps its projection; the columns FRAME and EPOCH of a feature say what its numbers mean.
    """
    if demo.spring_frame[0] == FRAME:
        return 0.0, 0.0
    geographic = Transformer.from_crs(LINES_CRS, "EPSG:6318")
    to_itrf = Transformer.from_crs("EPSG:6319", "EPSG:7912")
    lat, lon = geographic.transform(*demo.origin_m)
    lat, lon, *_ = to_itrf.transform(lat, lon, HEIGHT_M, demo.spring_frame[1])
    east_m, north_m = geographic.transform(lat, lon, direction="INVERSE")
    return round(east_m - demo.origin_m[0], 3), round(north_m - demo.origin_m[1], 3)


def records(
    demo: DemoField,
    lines: list[np.ndarray],
    *,
    start: datetime,
    rows: int,
    frame: tuple[str, float],
    shift_m: tuple[float, float],
    rng: np.random.Generator,
) -> list[dict]:
    """Return one record per line, numbered and timed in working order."""
    lengths_m = [LineString(line).length for line in lines]
    times = clock(lengths_m, start=start, rng=rng)
    return [
        {
            "FIELD": demo.field_id,
            "PASS": number,
            "T0": t0,
            "T1": t1,
            "ROWS": rows,
            "FRAME": frame[0],
            "EPOCH": frame[1],
            "geometry": LineString(to_grid(line, demo, shift_m=shift_m)),
        }
        for number, (line, (t0, t1)) in enumerate(zip(lines, times, strict=True), start=1)
    ]


def strip_records(demo: DemoField, rng: np.random.Generator) -> list[dict]:
    """Return the autumn log of one field: strips of the 12-row bar, with wander."""
    sd_m = 0.02 + 0.01 * float(rng.random())
    area = demo.worked or demo.boundary
    passes = [pieces(track, area, ends_m=demo.lift_m, rng=rng) for track in demo.bar]
    ends = [pieces(track, demo.headland_area, ends_m=demo.lift_m, rng=rng) for track in demo.headland]
    lines = [driven(track, sd_m=sd_m, rng=rng) for track in serpentine(ends + passes)]
    start = datetime(2025, 10, demo.days[0], 13, 5, tzinfo=UTC)
    return records(demo, lines, start=start, rows=12, frame=(FRAME, EPOCH), shift_m=(0.0, 0.0), rng=rng)


def planter_records(demo: DemoField, rng: np.random.Generator) -> list[dict]:
    """Return the spring plan of one field: smooth lines on the grid of the bar."""
    tracks = demo.planter[::-1] if demo.planter_from_far_side else demo.planter
    passes = [pieces(track, demo.boundary, ends_m=OVERSHOOT_M, rng=rng) for track in tracks]
    lines = [planned(track) for track in serpentine(passes)]
    start = datetime(2026, 4, demo.days[1], 12, 40, tzinfo=UTC)
    return records(demo, lines, start=start, rows=demo.planter_rows, frame=demo.spring_frame,
                   shift_m=spring_shift(demo), rng=rng)  # fmt: skip


def bad_strips() -> list[dict]:
    """Return strips that no run may use: no geometry, no length, no field, a field nobody has."""
    lost = LineString([(455000, 4710000), (455400, 4710000)])
    beside = LineString([(419900, 4691200), (419900, 4691600)])
    spot = LineString([(420400, 4691400), (420400, 4691400)])
    shapes = [("QP01-quarter", LineString()), ("QP01-quarter", None), ("QP01-quarter", spot),
              (None, lost), ("QP99-unknown", beside)]  # fmt: skip
    return [_untimed(name, shape, number=9001 + n) for n, (name, shape) in enumerate(shapes)]


def bad_planter() -> list[dict]:
    """Return a planter line of two equal points."""
    return [_untimed("QP01-quarter", LineString([(420300, 4691300), (420300, 4691300)]), number=9001)]


def _untimed(field_id: str | None, shape: LineString | None, *, number: int) -> dict:
    return {"FIELD": field_id, "PASS": number, "T0": None, "T1": None, "ROWS": 12, "FRAME": FRAME,
            "EPOCH": EPOCH, "geometry": shape}  # fmt: skip


def lines_layer(rows: list[dict]) -> gpd.GeoDataFrame:
    """Return a line layer; times in UTC, whole seconds."""
    table = gpd.GeoDataFrame(rows, geometry="geometry", crs=LINES_CRS)
    times = {
        name: pd.to_datetime(table[name], utc=True).astype("datetime64[ms, UTC]") for name in ("T0", "T1")
    }
    return table.assign(**times, PASS=table["PASS"].astype("int32"), ROWS=table["ROWS"].astype("int32"))


def fields_layer(demos: list[DemoField]) -> gpd.GeoDataFrame:
    """Return the boundaries, and one that crosses itself."""
    rows = [
        {"FIELD": demo.field_id, "FARM": demo.farm[0], "GROWER": demo.farm[1],
         "geometry": shapely.transform(demo.boundary, lambda xy_m, demo=demo: to_grid(xy_m, demo))}
        for demo in demos
    ]  # fmt: skip
    bow_tie = Polygon([(425000, 4685000), (425600, 4685600), (425600, 4685000), (425000, 4685600)])
    rows.append({"FIELD": "QP90-bowtie", "FARM": SANDREED[0], "GROWER": SANDREED[1], "geometry": bow_tie})
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=FIELDS_CRS)


def bases_layer() -> gpd.GeoDataFrame:
    """Return the two surveyed base stations, to about 1 mm."""
    to_degrees = Transformer.from_crs(LINES_CRS, BASES_CRS, always_xy=True)
    points = [Point(*(round(v, 8) for v in to_degrees.transform(*place))) for place in BASES.values()]
    return gpd.GeoDataFrame({"base_id": list(BASES), "surveyed": True}, geometry=points, crs=BASES_CRS)


def checks_layer(strips: list[dict]) -> gpd.GeoDataFrame:
    """Return what was dug after the first rounds of planting in one field: four places beside strip passes.

    Everything had come down 2 cm farther east and 6 cm farther south than planned; tape and wander add a centimetre.
    """
    rng = np.random.default_rng([SEED, 100])
    rows = []
    for record in strips:
        if record["FIELD"] == CHECKED_IN and record["PASS"] in CHECKED_PASSES:
            line = record["geometry"]
            at = line.interpolate(round(float(rng.uniform(0.2, 0.8)), 3), normalized=True)
            (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
            left = np.array([y0 - y1, x1 - x0]) / math.hypot(x1 - x0, y1 - y0)
            offset_m = left @ LANDED_M + 0.01 * float(rng.standard_normal())
            place = Point(round(at.x, 3), round(at.y, 3))
            rows.append({"offset": f"{offset_m / 0.0254:.1f} in", "tape_error": "0.5 in", "geometry": place})
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=LINES_CRS)


def zones_layer(demos: list[DemoField]) -> gpd.GeoDataFrame:
    """Return a belt of trees along one field, and a corner of another without mobile data."""
    rows = []
    for field_id, shape, zone in ZONES:
        demo = next(demo for demo in demos if demo.field_id == field_id)
        rows.append(zone | {"geometry": shapely.transform(shape, lambda xy_m, demo=demo: to_grid(xy_m, demo))})
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=FIELDS_CRS)


def layers() -> dict[str, tuple[gpd.GeoDataFrame, str]]:
    """Return every layer with its geometry type."""
    demos = demo_fields()
    strips, planter = [], []
    for number, demo in enumerate(demos):
        rng = np.random.default_rng([SEED, number])
        strips += strip_records(demo, rng)
        planter += planter_records(demo, rng)
    for record in strips:
        # some logs come without a field name: they are split between the fields they run through
        if record["FIELD"] == UNNAMED_IN and record["PASS"] % 10 == 0:
            record["FIELD"] = None
    return {
        "fields": (fields_layer(demos), "Polygon"),
        "strips": (lines_layer(strips + bad_strips()), "LineString"),
        "planter": (lines_layer(planter + bad_planter()), "LineString"),
        "bases": (bases_layer(), "Point"),
        "checks": (checks_layer(strips), "Point"),
        "zones": (zones_layer(demos), "Polygon"),
    }


def make(out_dir: Path) -> Path:
    """Write `coop.gpkg` into a folder, whole or not at all, and return its path."""
    out_dir = Path(out_dir)
    out_dir.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=out_dir) as scratch:
        unfinished = Path(scratch) / FILE_NAME
        pyogrio.set_gdal_config_options(FILE_DATE)
        try:
            for name, (table, kind) in layers().items():
                pyogrio.write_dataframe(table, unfinished, layer=name, driver="GPKG", geometry_type=kind)
        finally:
            pyogrio.set_gdal_config_options(dict.fromkeys(FILE_DATE))
        os.replace(unfinished, out_dir / FILE_NAME)
    return out_dir / FILE_NAME


if __name__ == "__main__":
    print(make(Path(__file__).parent))
