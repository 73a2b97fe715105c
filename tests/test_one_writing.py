"""Shapes that are the same, as whatever writer has them."""

import numpy as np
import shapely

from pipeline.files.one_writing import polygons_in_one_writing, single_parts

OUTER = [(0, 0), (9, 0), (9, 9), (0, 9)]
HOLES = [[(1, 1), (2, 1), (2, 2)], [(5, 5), (7, 5), (7, 7)]]


def test_polygons_have_one_writing_and_stay_what_they_are():
    plain = shapely.Polygon(OUTER, HOLES)
    shapes = np.array([
        plain, shapely.reverse(plain), shapely.Polygon(OUTER[2:] + OUTER[:2], [ring[::-1] for ring in HOLES[::-1]]),
        shapely.MultiPolygon([plain]),
    ], object)  # fmt: skip
    found = polygons_in_one_writing(shapes)
    assert len(set(shapely.to_wkb(found))) == 1 and len(set(shapely.to_wkb(shapes))) == 4
    assert all(shapely.equals(found, plain)) and set(shapely.area(found)) == {81 - 0.5 - 2}


def test_parts_of_several_are_kept_in_whatever_order():
    parts = [shapely.Polygon(OUTER), shapely.box(20, 0, 30, 1)]
    one, other = polygons_in_one_writing(np.array([shapely.MultiPolygon(parts), shapely.MultiPolygon(parts[::-1])]))
    assert one.wkb == other.wkb and one.geom_type == "MultiPolygon" and one.area == 91


def test_a_line_keeps_its_way():
    line, bent = shapely.LineString([(5, 0), (0, 0)]), shapely.MultiLineString([[(0, 0), (1, 0)], [(2, 0), (3, 0)]])
    found = single_parts(np.array([line, shapely.MultiLineString([line]), bent], object))
    assert [one.wkt for one in found] == [line.wkt, line.wkt, bent.wkt]
    assert len(single_parts(np.zeros(0, object))) == 0


def test_a_collection_of_one_point_is_that_point():
    point, two = shapely.Point(3, 4), shapely.MultiPoint([(1, 1), (0, 0)])
    found = single_parts(np.array([shapely.MultiPoint([point]), point, two], object))
    assert [one.wkt for one in found] == [point.wkt, point.wkt, two.wkt]
