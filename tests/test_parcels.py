"""Real parcels of four registers as fields: none is lost, and their areas are the registers' own."""

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from workflow import PROJECT, config, take_in

from pipeline.files.store import read_geo, read_json
from pipeline.steps import passes

DATA = PROJECT.parent / "shared" / "realdata" / "parcels.gpkg"
ACRE_M2, HECTARE_M2 = 4046.8564224, 10_000.0

pytestmark = [
    pytest.mark.realdata,
    pytest.mark.skipif(not DATA.exists(), reason="parcels.gpkg is not here; it is others' data, not shipped"),
]

# Register's column of areas, its unit [m2], and by how much the two may differ: `Flaeche` is taken on the plane of
# UTM (scale 0.9996 in length, 0.9992 in area); those of Denmark and Finland are declared areas, not measured ones.
AREAS = {
    "de_sh": ("Flaeche", HECTARE_M2, 0.0015),
    "us_ca": ("ACRES", ACRE_M2, 0.001),
    "dk": ("IMK_areal", HECTARE_M2, None),
    "fi": ("PINTA_ALA", HECTARE_M2, None),
}


def across(shape: shapely.Geometry) -> shapely.LineString:
    """A line inside a parcel, so that it has a strip."""
    x, y = shapely.point_on_surface(shape).coords[0]
    reach = 0.05 * (shape.bounds[2] - shape.bounds[0])
    return shapely.LineString([(x - reach, y), (x + reach, y)])


@pytest.mark.parametrize("layer", AREAS)
def test_every_parcel_is_kept_or_has_its_reason(tmp_path, layer):
    column, unit_m2, tolerance = AREAS[layer]
    parcels = pyogrio.read_dataframe(DATA, layer=layer).assign(FIELD=lambda p: [f"{layer} {k}" for k in range(len(p))])
    path = tmp_path / "parcels.gpkg"
    pyogrio.write_dataframe(parcels[["FIELD", column, "geometry"]], path, layer="fields")
    strips = parcels[["FIELD"]].set_geometry(np.array([across(one) for one in parcels.geometry]), crs=parcels.crs)
    pyogrio.write_dataframe(strips, path, layer="strips", append=True)
    settings = config(tmp_path, planter=False, name="parcels.gpkg")
    settings["inputs"]["fields"]["columns"] = {"field_id": "FIELD"}
    settings["inputs"]["strips"]["columns"] = {"field_id": "FIELD"}
    work = take_in(settings, tmp_path)

    said, rejects = read_json(work / "intake.json"), read_geo(work / "rejects.parquet")
    bad = rejects[rejects["layer"] == "fields"]
    assert said["layers"]["fields"]["read"] == len(parcels) == pyogrio.read_info(DATA, layer=layer)["features"]
    # Referee: GEOS by way of shapely says which polygons are not valid.
    valid = shapely.is_valid(parcels.geometry.values)
    assert len(bad) == (~valid).sum() and all(reason.startswith("polygon is not valid: ") for reason in bad["reason"])
    assert any("Z of 100 features was dropped" in note for note in said["notes"]) == (layer == "us_ca")

    areas = areas_m2(work, tmp_path / "passes")
    assert set(areas.index) == set(parcels["FIELD"][valid])
    register = parcels.set_index("FIELD")[column].reindex(areas.index) * unit_m2
    ratio = areas / register
    print(f"{layer}: {len(areas)} kept, {len(bad)} rejected, area / register {ratio.min():.5f} to {ratio.max():.5f}")
    if tolerance is None:
        assert ratio.median() == pytest.approx(1.0, abs=0.01)
        return
    # The register's figures are rounded to their last digit, which counts in a small parcel.
    digit_m2 = 0.5e-4 * unit_m2 if layer == "de_sh" else 0.0
    assert (np.abs(areas - register) <= tolerance * register + digit_m2).all()


def areas_m2(work, out) -> pd.Series:
    """Areas by field as the pipeline computes them, each in its own plane [m2]."""
    found = {}
    for batch in sorted(path for path in (work / "intake").iterdir() if path.is_dir()):
        passes.run(batch=batch, settings=work / "settings/geometry.json", out=out / batch.name)
        for file in (out / batch.name).glob("*/field.json"):
            facts = read_json(file)
            found[facts["field_id"]] = facts["area_m2"]
    return pd.Series(found)
