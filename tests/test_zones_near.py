"""What the intake keeps of a zone: of each field only what lies near it."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from workflow import CRS, ORIGIN, area, boundaries, config, take_in, write_coop


def zones_of_batches(folder, shape, crs=CRS) -> dict[str, gpd.GeoDataFrame]:
    """Zones as the intake keeps them for each of two fields 400 m apart, by field."""
    file = write_coop(folder, fields=boundaries().to_crs(crs))
    zone = gpd.GeoDataFrame({"tier": ["*"], "factor": [2.0]}, geometry=[shape], crs=CRS)
    zone.to_file(file, layer="zones", driver="GPKG", engine="pyogrio")
    settings = config(folder, planter=False)
    settings["inputs"]["zones"] = {"file": str(file), "layer": "zones"}
    work = take_in(settings, folder)
    found = [gpd.read_parquet(path) for path in sorted((work / "intake").glob("*/zones.parquet"))]
    return {zones.field_id.iloc[0]: zones for zones in found if len(zones)}


def county(bulge_m: float = 0.0) -> shapely.Polygon:
    """A round zone of 20,000 vertices, 5 km about the fields, with a bulge far away from them."""
    angle = np.linspace(0.0, 2 * np.pi, 20_000, endpoint=False)
    radius = 5000.0 + bulge_m * (np.abs(angle - np.pi) < 0.1)
    return shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]) + ORIGIN)


@pytest.mark.parametrize("crs", [CRS, "EPSG:4326", "EPSG:26852"])  # metres, degrees, US survey feet
def test_of_a_large_zone_only_what_lies_near_a_field_is_kept(tmp_path, crs):
    found = zones_of_batches(tmp_path, county(), crs)
    assert sorted(found) == ["F0", "F2"]
    for number, field_id in enumerate(sorted(found)):
        zone = found[field_id].geometry
        assert shapely.get_num_coordinates(zone.values).tolist() == [5]
        west, south, east, north = zone.to_crs(CRS).total_bounds
        # The box about the field and 50 m around it; in another CRS it lies askew by 1.5 m at most.
        wanted = shapely.bounds(shapely.buffer(area(number), 50.0))
        np.testing.assert_allclose([west, south, east, north], wanted, atol=5.0)


def test_an_edit_of_a_zone_far_from_a_field_leaves_its_zone_alone(tmp_path):
    before, after = (zones_of_batches(tmp_path, county(bulge_m)) for bulge_m in (0.0, 300.0))
    for field_id, zones in before.items():
        assert zones.to_wkb().equals(after[field_id].to_wkb())


def test_of_a_zone_that_ends_at_a_field_polygons_alone_are_kept(tmp_path):
    # Two parts: one covers the western half of F0, the other touches the box about it in a line only.
    east, north = ORIGIN
    half = shapely.box(east - 200, north - 200, east + 60, north + 200)
    beside = shapely.box(east + 170, north - 200, east + 200, north + 200)
    zones = zones_of_batches(tmp_path, shapely.MultiPolygon([half, beside]))
    assert list(zones) == ["F0"]
    assert zones["F0"].geometry.iloc[0].equals(shapely.box(east - 50, north - 50, east + 60, north + 100))
