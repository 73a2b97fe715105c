"""Polygons stay valid and as large when they are moved between a field's own plane and the CRS of the fields."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import Geod
from starts import catalogue, times
from workflow import CRS, LENGTH_M, ORIGIN, WIDTH_M, boundaries, config, passes_of, take_in, write_coop

from pipeline import columns as c
from pipeline.core.local import from_local, local_crs, to_local
from pipeline.steps import bands, offsets, passes

DEGREES = "EPSG:4326"
# True areas, by another library and another formula: geodesic polygons.
GEODESIC = Geod(ellps="GRS80")
MOST_OFF = 1e-6


def geodesic_m2(shapes, crs) -> np.ndarray:
    degrees = gpd.GeoSeries(shapes, crs=crs).to_crs(DEGREES).geometry.normalize()
    return np.array([sum(abs(_ring_m2(part.exterior)) - sum(abs(_ring_m2(hole)) for hole in part.interiors)
                         for part in shapely.get_parts(shape)) for shape in degrees])  # fmt: skip


def _ring_m2(ring: shapely.LinearRing) -> float:
    return GEODESIC.polygon_area_perimeter(*ring.xy)[0]


def cutting_zones() -> gpd.GeoDataFrame:
    """Zones over the first field whose edges cut its passes obliquely, run along a row and end within the field."""
    slant = shapely.Polygon([(30, -10), (60, -10), (110, WIDTH_M + 10), (80, WIDTH_M + 10)])
    flat = shapely.Polygon([(10, 3.0), (LENGTH_M - 20, 3.4), (LENGTH_M - 20, 12.1), (10, 11.8)])
    across = shapely.box(0.45 * LENGTH_M, -10, 0.55 * LENGTH_M, WIDTH_M + 10)
    shapes = shapely.transform(np.array([slant, flat, across], object), lambda xy: xy + ORIGIN)
    return gpd.GeoDataFrame({"tier": ["*"] * 3, "factor": [1.5, 1.3, 2.0]}, geometry=shapes, crs=CRS)


def draw(folder, *, crs=CRS, **tier) -> dict[str, gpd.GeoDataFrame]:
    """Layers of a field with such zones, whose strips and rows begin at a receiver's start, under an invented tier."""
    minutes = times(passes_of(1), [0, 60, 120, 180])
    file = write_coop(folder, fields=boundaries(1).to_crs(crs), strips=minutes.to_crs(crs), rows=minutes.to_crs(crs))
    cutting_zones().to_crs(crs).to_file(file, layer="zones", driver="GPKG", engine="pyogrio")
    settings = config(folder)
    for name in ("strips", "rows"):
        settings["inputs"][name]["columns"] |= {"started_at": "T0", "ended_at": "T1"}
    settings["inputs"]["zones"] = {"file": str(file), "layer": "zones"}
    settings["tiers"] = {"catalogue": catalogue(folder, **tier), "compare": ["slow"]}
    work = take_in(settings, folder)
    (batch,) = (p for p in (work / "intake").iterdir() if p.is_dir() and len(gpd.read_parquet(p / "fields.parquet")))
    laid, measured, out = (work / step / batch.name for step in ("passes", "offsets", "bands"))
    passes.run(batch=batch, settings=work / "settings/geometry.json", out=laid)
    offsets.run(passes=laid, out=measured)
    bands.run(
        passes=laid, offsets=measured, tiers=work / "settings/tiers.json", crs_from=work / "settings/crs.json", out=out
    )
    return {kind: gpd.read_parquet(out / f"{kind}.parquet") for kind in bands.KINDS}


@pytest.mark.parametrize("crs", [CRS, DEGREES])
def test_layers_of_cut_passes_are_valid_and_as_large(tmp_path, crs):
    layers = draw(tmp_path, crs=crs, repeatable="1 in", convergence="2 min")
    for kind in bands.KINDS:
        shape = layers[kind].geometry.values
        assert shapely.is_valid(shape).all(), kind  # GEOS
        assert len(shape)
        assert not shapely.is_empty(shape).any()
    for kind in ("hold_bands", "reach_bands"):
        assert (layers[kind].geom_type == "MultiPolygon").all()
        np.testing.assert_allclose(geodesic_m2(layers[kind].geometry, crs), layers[kind][c.AREA_M2], rtol=MOST_OFF)


def test_a_band_of_no_width_is_none(tmp_path):
    # Half a strip is 4 in, 0.1016 m: what is left of it beside this error is less than coordinates tell apart.
    layers = draw(tmp_path, repeatable="0.1015999999 m", convergence="0 s")
    assert layers["hold_bands"].empty
    assert len(layers["reach_bands"]) == 4


@pytest.mark.parametrize("crs", [CRS, DEGREES])
@pytest.mark.parametrize("share", [0.21, 0.37, 0.5, 0.73])
def test_a_hole_that_touches_the_edge_leaves_a_valid_polygon(crs, share):
    # The hole stands with its tip on the southern edge, where that has no vertex: valid, until the edge bends.
    place, unit = (np.array([-97.8, 41.5]), 1e-5) if crs == DEGREES else (np.array(ORIGIN), 1.0)
    tip = 400.0 * share
    rings = [(0, 0), (400, 0), (400, 300), (0, 300)], [(tip, 0), (tip + 20, 30), (tip - 20, 30)]
    outer, hole = (place + unit * np.array(ring) for ring in rings)
    shape = np.array([shapely.Polygon(outer, [hole])])
    assert shape[0].is_valid
    plane, wkt = local_crs(-97.8, 41.55), gpd.GeoSeries(crs=crs).crs.to_wkt()
    there = to_local(shape, wkt, plane)
    back = from_local(there, plane, wkt)
    assert there[0].is_valid
    assert back[0].is_valid
    # A parallel of a length L bends from its chord by L^2 tan(latitude) / 8 R, 2 mm of the 330 m to the north.
    assert shapely.area(back)[0] == pytest.approx(shape[0].area, rel=0.002 / 330 if crs == DEGREES else MOST_OFF)


def test_valid_polygons_and_what_is_no_polygon_are_moved_as_they_are():
    plane, wkt = local_crs(-97.8, 41.55), gpd.GeoSeries(crs=CRS).crs.to_wkt()
    crossing = shapely.LineString([(0, 0), (10, 10), (10, 0), (0, 10)])
    shapes = np.array([shapely.box(0, 0, 10, 10), crossing, None, shapely.Point(1, 1), shapely.Polygon()], object)
    moved = from_local(shapes, plane, wkt)
    assert [None if one is None else one.geom_type for one in moved] == ["Polygon", "LineString", None, "Point", "Polygon"]
    assert len(moved[1].coords) == 4


def test_polygons_that_cannot_be_moved_stay_what_they_are():
    # Nothing is made of places that a projection has no answer for: whoever checks for them is to find them.
    beyond = shapely.Polygon([(0, 0), (1, 0), (1, np.inf)])
    moved = from_local(np.array([beyond]), local_crs(-97.8, 41.55), gpd.GeoSeries(crs=CRS).crs.to_wkt())
    assert not np.isfinite(shapely.get_coordinates(moved)).all()
