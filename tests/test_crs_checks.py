"""Coordinates that do not belong to their CRS, or layers that do not belong together: refused, with the way out."""

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from pyproj import CRS as PROJ_CRS
from pyproj import Geod, Transformer
from workflow import CRS, boundaries, config, passes_of, take_in, write_coop

from pipeline.errors import InputError
from pipeline.files.crs_beside import check_beside
from pipeline.files.crs_checks import check_place, flat_crs, same_crs, with_crs


def near(lon: float, lat: float, crs: str, *, east: float = 0.0, swap: bool = False) -> gpd.GeoDataFrame:
    """A short line at a place, in a CRS, its eastings moved, its axes swapped."""
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform([lon, lon + 1e-3], [lat, lat + 1e-3])
    ends = [(a + east, b) for a, b in zip(x, y, strict=True)]
    return gpd.GeoDataFrame(geometry=[shapely.LineString([p[::-1] if swap else p for p in ends])], crs=crs)


def refusal(frame: gpd.GeoDataFrame) -> str:
    with pytest.raises(InputError) as caught:
        check_place(frame, "here")
    assert str(caught.value).startswith("here: ")
    return str(caught.value)


# Places in Schleswig-Holstein, Iowa, North Carolina (feet), Finland, New South Wales, Chile.
GOOD = [(9.9, 54.2, "EPSG:25832"), (9.9, 54.2, "EPSG:4647"), (9.9, 54.2, "EPSG:31467"), (-93.3, 41.6, "EPSG:26915"),
        (-79.0, 35.5, "EPSG:2264"), (25.0, 62.0, "EPSG:3067"), (147.0, -35.0, "EPSG:7855"), (-72.0, -37.0, "EPSG:32719"),
        (-93.3, 41.6, "EPSG:4326"), (9.9, 54.2, "EPSG:3857"), (179.9, -17.0, "EPSG:3460")]  # fmt: skip


@pytest.mark.parametrize(("lon", "lat", "crs"), GOOD)
def test_nothing_is_said_of_a_layer_in_its_place(lon, lat, crs):
    assert check_place(near(lon, lat, crs), "here") == []


@pytest.mark.parametrize(
    ("lon", "crs", "zone", "better"),
    # EPSG dataset: 5649, 4647 and 5650 are ETRS89 / UTM 31N, 32N, 33N (zE-N).
    [(4.0, "EPSG:25831", 31, "EPSG:5649"), (9.9, "EPSG:25832", 32, "EPSG:4647"), (13.6, "EPSG:25833", 33, "EPSG:5650")],
)
def test_zone_number_in_front_of_eastings(lon, crs, zone, better):
    message = refusal(near(lon, 52.0, crs, east=zone * 1e6))
    assert f"have {zone} in front of the easting, a zone number that is not of this CRS" in message
    assert f"expected a CRS such as {better} (ETRS89 / UTM zone {zone}N (zE-N)), assign it" in message
    # And so it is: under the CRS proposed the coordinates are where they were before (PROJ).
    frame = near(lon, 52.0, crs, east=zone * 1e6).set_crs(better, allow_override=True)
    assert frame.to_crs("EPSG:4326").geometry[0].coords[0] == pytest.approx((lon, 52.0), abs=1e-7)


def test_zone_number_that_is_missing():
    message = refusal(near(9.9, 54.2, "EPSG:4647", east=-32e6))
    assert "lack the zone number 32 that this CRS has in front of the easting" in message
    assert "expected a CRS such as EPSG:25832 (ETRS89 / UTM zone 32N), assign it" in message


def test_zone_prefix_in_a_layer_of_the_workflow(tmp_path):
    fields, strips = (moved_to_holstein(layer).to_crs("EPSG:25832") for layer in (boundaries(), passes_of()))
    strips = strips.set_geometry(shapely.transform(strips.geometry.values, lambda xy: xy + [32e6, 0.0]))
    write_coop(tmp_path, fields=fields, strips=strips)
    with pytest.raises(InputError, match="inputs.strips: .*coop.gpkg, layer 'strips': .*such as EPSG:4647"):
        take_in(config(tmp_path, planter=False), tmp_path)


def moved_to_holstein(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return layer.set_crs("EPSG:32632", allow_override=True).assign(
        geometry=shapely.transform(layer.geometry.values, lambda xy: xy + [-50_000.0, 1_400_000.0])
    )


@pytest.mark.parametrize(
    ("lon", "lat", "crs"),
    [(-93.3, 41.6, "EPSG:4326"), (-93.3, 41.6, "EPSG:4269"), (9.9, 54.2, "EPSG:25832"), (25.0, 62.0, "EPSG:3067"),
     (-79.0, 35.5, "EPSG:2264")],
)  # fmt: skip
def test_swapped_axes(lon, lat, crs):
    message = refusal(near(lon, lat, crs, swap=True))
    assert "lie outside the area of that CRS, and swapped they lie within" in message
    assert "swap the columns or the axes of the layer" in message


def test_far_outside_and_a_little_outside():
    assert "degrees outside the area that CRS is for" in refusal(near(-93.3, 41.6, "EPSG:25832"))
    # The neighbouring UTM zone is common practice: said, and no more. Zone 15 is 96 W to 90 W; 97.8 is 1.8 outside.
    assert check_place(near(-97.8, 41.6, "EPSG:32615"), "here") == [
        "lies 1.8 degrees outside the area that EPSG:32615 (WGS 84 / UTM zone 15N) is for"
    ]


def test_one_stray_feature_does_not_judge_the_layer():
    frame = near(9.9, 54.2, "EPSG:25832")
    stray = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (1, 1)])], crs=frame.crs)
    many = pd.concat([frame, frame, stray], ignore_index=True)
    assert check_place(many, "here") == []


def test_same_crs_whoever_wrote_it():
    esri = PROJ_CRS.from_wkt(PROJ_CRS("EPSG:32614").to_wkt("WKT1_ESRI"))
    assert same_crs(esri, PROJ_CRS("EPSG:32614"))
    assert same_crs(PROJ_CRS("OGC:CRS84"), PROJ_CRS("EPSG:4326"))
    assert not same_crs(esri, PROJ_CRS("EPSG:32615"))
    assert not same_crs(PROJ_CRS("EPSG:26914"), PROJ_CRS("EPSG:32614"))


@pytest.mark.parametrize(
    ("crs", "flat"), [("EPSG:32614+5703", "EPSG:32614"), ("EPSG:4979", "EPSG:4326"), ("EPSG:6318", "EPSG:6318")]
)
def test_height_part_of_a_crs_is_left_out(crs, flat):
    assert same_crs(flat_crs(PROJ_CRS(crs)), PROJ_CRS(flat))


@pytest.mark.parametrize("crs", ["EPSG:4807", "EPSG:27572"])  # NTF (Paris): grads, counted from Paris
def test_degrees_that_are_none_are_refused(crs):
    frame = gpd.GeoDataFrame(geometry=[shapely.Point(1, 1)], crs=crs)
    with pytest.raises(InputError, match="does not count degrees from Greenwich; transform the layer"):
        with_crs(frame, None, "here")


@pytest.mark.parametrize("km", [5.0, 800.0])
def test_strips_far_from_the_fields(tmp_path, km):
    # The eastern edge of the fields is 520 m east of the origin; the strips start at the origin, moved.
    moved = passes_of()
    moved = moved.set_geometry(shapely.transform(moved.geometry.values, lambda xy: xy + [0.0, 1000 * km]))
    write_coop(tmp_path, strips=moved)
    with pytest.raises(InputError) as caught:
        take_in(config(tmp_path, planter=False), tmp_path)
    message = str(caught.value)
    assert message.startswith(f"inputs.strips: {tmp_path}/coop.gpkg, layer 'strips': lies ")
    said = float(message.split(" lies ")[1].split(" km")[0])
    # Referee: pyproj.Geod from the northern edge of the fields to the southernmost strip.
    lonlat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    here, there = (lonlat.transform(600_260.0, north) for north in (4_600_050.0, 4_600_004.572 + 1000 * km))
    assert said == pytest.approx(Geod(ellps="WGS84").inv(*here, *there)[2] / 1000, rel=0.01, abs=0.06)
    assert "from the fields: around longitude" in message and "the CRS of one of the two is wrong" in message


def test_strips_that_are_the_fields_way_round_only_when_swapped():
    # 54 N 10 E swapped is 10 N 54 E: a place on earth, so only the fields can tell.
    fields = near(9.9, 54.2, "EPSG:4326").assign(field_id="F")
    with pytest.raises(InputError, match="with longitude and latitude swapped it would lie on them: swap the two"):
        check_beside(near(9.9, 54.2, "EPSG:4326", swap=True), fields, "here")


@pytest.mark.parametrize(
    ("lon", "lat", "old", "new", "least_m"),
    # Shifts of old datums are tens of metres and more: NAD27 in Iowa about 20 m, DHDN 150 m, OSGB36 100 m.
    [(-93.3, 41.6, "EPSG:4267", "EPSG:4269", 0), (9.9, 54.2, "EPSG:31467", "EPSG:25832", 100),
     (-1.0, 52.0, "EPSG:27700", "EPSG:4326", 70)],
)  # fmt: skip
def test_old_datum_beside_a_new_one_is_refused(lon, lat, old, new, least_m):
    fields = near(lon, lat, new).assign(field_id="F")
    with pytest.raises(InputError, match="its datum is .*expected layers in datums that agree within 4 m") as caught:
        check_beside(near(lon, lat, old), fields, "here")
    if least_m:
        assert float(str(caught.value).split(" m apart here")[0].split()[-1]) > least_m


@pytest.mark.parametrize(
    ("lon", "lat", "one", "other"),
    [(-93.3, 41.6, "EPSG:4326", "EPSG:26915"), (-93.3, 41.6, "EPSG:6318", "EPSG:4326"),
     (9.9, 54.2, "EPSG:4326", "EPSG:4647"), (147.0, -35.0, "EPSG:7844", "EPSG:4283"),
     (-50.0, -20.0, "EPSG:4674", "EPSG:32722"), (9.9, 54.2, "EPSG:3857", "EPSG:25832")],
)  # fmt: skip
def test_datums_of_today_may_be_mixed(lon, lat, one, other):
    check_beside(near(lon, lat, one), near(lon, lat, other).assign(field_id="F"), "here")


def test_swapped_geojson_is_refused(tmp_path):
    write_coop(tmp_path)
    strips = passes_of().to_crs("EPSG:4326")
    strips = strips.set_geometry(shapely.transform(strips.geometry.values, lambda xy: xy[:, ::-1]))
    path = tmp_path / "s.geojson"
    pyogrio.write_dataframe(strips, path, driver="GeoJSON")
    settings = config(tmp_path, planter=False)
    settings["inputs"]["strips"] |= {"file": str(path), "layer": "s"}
    with pytest.raises(InputError, match="swapped they lie within"):
        take_in(settings, tmp_path)
