"""Reference frames and the field's own plane, against values from outside the project (CHECKS, geodesy)."""

import csv
import os
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod, Transformer

from pipeline.core.frames import FRAMES, frame_shift
from pipeline.core.local import from_local, local_crs, to_local
from pipeline.errors import InputError

ROOT = Path(__file__).resolve().parents[1]
REALDATA = Path(os.environ.get("ROWRETURN_REALDATA", ROOT.parent / "shared" / "realdata"))
PAIRS = REALDATA / "geodesy" / "noaa_cors_published_pairs.csv"
AMES = (-93.62, 42.03)

# NAD83(2011) minus ITRF2014 at 2024.75: latitude, longitude, north, east [m] (CHECKS, computed by PROJ 9.5.1
# from the published parameters of EPSG:8970).
NAD83_MINUS_ITRF2014 = [
    (42.03, -93.62, -0.7785, 1.1041),
    (40.10, -88.24, -0.8395, 0.9630),
    (36.60, -101.63, -0.5376, 1.2354),
    (46.88, -96.80, -0.7936, 1.2062),
]


@pytest.mark.parametrize(("latitude", "longitude", "north_m", "east_m"), NAD83_MINUS_ITRF2014)
def test_shift_between_itrf_and_nad83(latitude, longitude, north_m, east_m):
    # Spring in ITRF2014, autumn in NAD83(2011): spring's coordinates are moved by NAD83 minus ITRF.
    shift = frame_shift(longitude, latitude, autumn=("NAD83(2011)", 2010.0), spring=("ITRF2014", 2024.75))
    assert shift == pytest.approx((east_m, north_m), abs=1e-4)
    back = frame_shift(longitude, latitude, autumn=("ITRF2014", 2024.75), spring=("NAD83(2011)", 2010.0))
    assert back == pytest.approx((-east_m, -north_m), abs=1e-4)


def test_size_of_the_shift_in_iowa():
    # 1.3543 m horizontally at 42.03, -93.62 at 2025.0 (CHECKS, computed).
    shift = frame_shift(*AMES, autumn=("NAD83(2011)", 2010.0), spring=("ITRF2014", 2025.0))
    assert np.hypot(*shift) == pytest.approx(1.3543, abs=1e-4)


def test_a_moving_frame_drifts_by_17_6_mm_a_year():
    # A fixed ITRF2014 coordinate drifts in NAD83 by 17.6 mm/yr in central Iowa (CHECKS, computed).
    first, second = (
        np.array(frame_shift(*AMES, autumn=("NAD83(2011)", 2010.0), spring=("ITRF2014", year)))
        for year in (2020.0, 2030.0)
    )
    assert np.hypot(*(second - first)) / 10 == pytest.approx(0.0176, abs=5e-5)
    # And two visits in the one moving frame, half a year apart, differ by half of that.
    half = frame_shift(*AMES, autumn=("ITRF2014", 2025.0), spring=("ITRF2014", 2025.5))
    assert np.hypot(*half) == pytest.approx(0.0088, abs=5e-5)


def test_published_cs2cs_output():
    # 46.71, -92.215 ITRF2014 at 2010.0 and at 2026.77: published EPSG:6344 coordinates (CHECKS, read).
    published = {2010.0: (560002.953299, 5173236.587037), 2026.77: (560003.268135, 5173236.616329)}
    to_utm = Transformer.from_crs(FRAMES["NAD83(2011)"], 6344)
    east, north = to_utm.transform(46.71, -92.215)
    geod = Geod(ellps="GRS80")
    for year, wanted in published.items():
        shift = frame_shift(-92.215, 46.71, autumn=("NAD83(2011)", 2010.0), spring=("ITRF2014", year))
        azimuth, size = np.degrees(np.arctan2(*shift)), np.hypot(*shift)
        longitude, latitude, _ = geod.fwd(-92.215, 46.71, azimuth, size)
        got = to_utm.transform(latitude, longitude)
        assert got == pytest.approx(wanted, abs=1e-4)
        assert np.hypot(got[0] - east, got[1] - north) == pytest.approx(size, rel=1e-3)


@pytest.mark.parametrize(
    ("source", "target", "year", "before", "after", "within_m"),
    [
        # GDA2020 Technical Manual 1.0, as carried in PROJ's tests (CHECKS, read): Alice Springs.
        ("GDA94", "GDA2020", 2020.0, (-4052051.7643, 4212836.2017, -2545106.0245),
         (-4052052.7379, 4212835.9897, -2545104.5898), 75e-6),
        ("ITRF2014", "GDA2020", 2018.0, (-4052052.6588, 4212835.9938, -2545104.6946),
         (-4052052.7373, 4212835.9835, -2545104.5867), 40e-6),
    ],
)  # fmt: skip
def test_published_australian_pair(source, target, year, before, after, within_m):
    east, north = _apart(before, after)
    lon, lat, _ = Transformer.from_crs(4978, 4979, always_xy=True).transform(*before)
    shift = frame_shift(lon, lat, autumn=(target, 2020.0), spring=(source, year))
    # The published coordinates are given to 0.1 mm, so a horizontal difference is good to about as much.
    assert shift == pytest.approx((east, north), abs=within_m + 1e-4)


def _apart(before, after) -> tuple[float, float]:
    """East and north from one geocentric point to another, on the horizon of the first [m]."""
    lon, lat, _ = Transformer.from_crs(4978, 4979, always_xy=True).transform(*before)
    lon, lat, gap = np.radians(lon), np.radians(lat), np.subtract(after, before)
    east = -np.sin(lon) * gap[0] + np.cos(lon) * gap[1]
    north = -np.sin(lat) * (np.cos(lon) * gap[0] + np.sin(lon) * gap[1]) + np.cos(lat) * gap[2]
    return float(east), float(north)


needs_pairs = pytest.mark.skipif(
    not PAIRS.exists(), reason=f"needs {PAIRS.name} of the real-data folder (ROWRETURN_REALDATA)"
)


def published_pair(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    """ITRF2020 at 2020.0, its velocity a year where it is quoted, and NAD83(2011) at 2010.0, geocentric [m]."""
    with PAIRS.open(encoding="utf-8") as lines:
        station = next(line for line in csv.DictReader(lines) if line["station"] == name)
    at_2020, nad83 = (np.array([float(station[k]) for k in keys]) for keys in ("XYZ", ("X2", "Y2", "Z2")))
    speed = np.array([float(station[k]) for k in ("VX", "VY", "VZ")]) if station["VX"] else None
    return at_2020, nad83, speed


@needs_pairs
def test_published_station_pair():
    # ALA1, NOAA: moved by its own velocity from 2020.0 to 2010.0 the published pair agrees to 0.4 mm an axis,
    # unmoved it is off by 12/33/20 mm (CHECKS).
    at_2020, nad83, speed = published_pair("ALA1")
    at_2010 = at_2020 - 10 * speed
    lon, lat, _ = Transformer.from_crs(4978, 4979, always_xy=True).transform(*at_2010)
    shift = frame_shift(lon, lat, autumn=("NAD83(2011)", 2010.0), spring=("ITRF2020", 2010.0))
    assert shift == pytest.approx(_apart(at_2010, nad83), abs=1e-3)
    unmoved = np.subtract(shift, _apart(at_2020, nad83))
    assert np.hypot(*unmoved) > 0.01


@needs_pairs
def test_published_station_pair_without_a_velocity():
    # P041, NOAA (CHECKS): its velocity is not quoted, so ten years of the station's own motion within the plate
    # frame stay in the pair. At ALA1 that motion is 12/33/20 mm an axis (CHECKS); here the horizontal part must be
    # no more than 2 mm a year. What is held is the rest: 1.35 m of frame, and 16 cm if the epoch were passed over.
    at_2020, nad83, speed = published_pair("P041")
    assert speed is None
    lon, lat, _ = Transformer.from_crs(4978, 4979, always_xy=True).transform(*at_2020)
    apart = np.array(_apart(at_2020, nad83))
    shift = frame_shift(lon, lat, autumn=("NAD83(2011)", 2010.0), spring=("ITRF2020", 2020.0))
    assert np.hypot(*(shift - apart)) < 0.02
    wrong_epoch = frame_shift(lon, lat, autumn=("NAD83(2011)", 2010.0), spring=("ITRF2020", 2010.0))
    assert np.hypot(*(wrong_epoch - apart)) > 0.1


def test_one_frame_at_one_epoch_needs_no_shift():
    for name in FRAMES:
        assert frame_shift(*AMES, autumn=(name, 2020.0), spring=(name, 2020.0)) == (0.0, 0.0)
    assert frame_shift(*AMES, autumn=("NAD83(2011)", 2010.0), spring=("NAD83(2011)", 2026.0)) == (0.0, 0.0)


def test_the_null_transformation_is_refused():
    # PROJ joins some frames by a "ballpark" transformation that does nothing: from a plate-fixed frame of
    # North America to one of Europe there is none. A zero here would hide more than a metre.
    described = Transformer.from_crs(FRAMES["NAD83(2011)"], FRAMES["ETRF2014"]).description
    assert "Ballpark" in described
    with pytest.raises(InputError, match="no transformation"):
        frame_shift(*AMES, autumn=("NAD83(2011)", 2010.0), spring=("ETRF2014", 2010.0))


def test_plain_wgs84_is_no_frame():
    # EPSG:4326 -> NAD83(2011) is a null transformation in PROJ (DESIGN section 7): an ensemble is no
    # realisation.
    for name in ("WGS84", "WGS 84", "EPSG:4326", "NAD83"):
        with pytest.raises(InputError, match="unknown"):
            frame_shift(*AMES, autumn=("NAD83(2011)", 2010.0), spring=(name, 2025.0))


def test_different_frames_never_come_out_as_no_shift_at_all():
    # Every pair that is answered at all differs by a millimetre or more, or is one realisation by another
    # name.
    for spring in ("ITRF2014", "ITRF2020", "WGS 84 (G2139)"):
        shift = frame_shift(*AMES, autumn=("NAD83(2011)", 2010.0), spring=(spring, 2025.0))
        assert 1.3 < np.hypot(*shift) < 1.5  # DESIGN section 2: "1.3-1.5 m in the USA"


def test_no_plate_no_answer():
    # In Brazil the project knows no plate frame by which to carry coordinates from one epoch to the other.
    with pytest.raises(InputError, match="plate"):
        frame_shift(-55.0, -12.0, autumn=("ITRF2014", 2024.0), spring=("ITRF2020", 2025.0))


@pytest.mark.parametrize("place", [AMES, (10.1, 54.3), (144.0, -36.0), (-97.0, 46.9)])
def test_lengths_and_areas_of_a_mile_square_to_10_ppm(place):
    # Referee: pyproj.Geod's geodesics to 10 ppm.
    geod, mile = Geod(ellps="GRS80"), 1609.344
    plane = local_crs(*place)
    lon, lat = place
    corners = [geod.fwd(lon, lat, azimuth, mile / np.sqrt(2))[:2] for azimuth in (45, 135, 225, 315)]
    # Straight lines of the plane are not quite geodesics, so each side gets a point every ten metres.
    ring = []
    for a, b in zip(corners, [*corners[1:], corners[0]], strict=True):
        between = geod.inv_intermediate(*a, *b, 160, initial_idx=0, terminus_idx=1, return_back_azimuth=True)
        ring += list(zip(between.lons, between.lats, strict=True))
    field = shapely.Polygon(ring)
    area, perimeter = geod.geometry_area_perimeter(field)
    laid = to_local(np.array([field]), CRS.from_epsg(4326).to_wkt(), plane)[0]
    assert laid.area == pytest.approx(abs(area), rel=1e-5)
    assert laid.length == pytest.approx(perimeter, rel=1e-5)
    assert laid.area == pytest.approx(mile**2, rel=1e-5)


def test_there_and_back_again():
    crs = CRS.from_epsg(26915).to_wkt()  # UTM 15 North, as many farm layers are
    line = np.array([shapely.LineString([(450000.0, 4650000.0), (450800.0, 4650300.0)])])
    plane = local_crs(-93.6, 42.0)
    back = from_local(to_local(line, crs, plane), plane, crs)[0]
    np.testing.assert_allclose(shapely.get_coordinates(back), shapely.get_coordinates(line[0]), atol=1e-6)


def test_heights_are_dropped():
    line = np.array([shapely.LineString([(-93.6, 42.0, 300.0), (-93.59, 42.0, 310.0)])])
    assert not to_local(line, CRS.from_epsg(4326).to_wkt(), local_crs(-93.6, 42.0))[0].has_z
