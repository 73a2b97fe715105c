"""The tier catalogue: the shipped one, and every way of writing a bad one."""

import json
from pathlib import Path

import pytest
import yaml

from pipeline.errors import ConfigError
from pipeline.files.catalogue import load_catalogue, tier_from_json, tier_to_json

SHIPPED = Path(__file__).parents[1] / "shared" / "tiers.yaml"
IDS = ["sbas", "ppp_submetre", "ppp_decimetre_gps", "ppp_decimetre", "ppp_10cm_gps", "ppp_cm", "ppp_cm_fast"]
IDS += ["galileo_has", "rtk_network", "rtk_base"]
INCH_M = 0.0254
GOOD = {
    "id": "mine", "name": "Invented", "pass_to_pass": "2 cm", "repeatable": "3 cm", "measure": "cross_track_95",
    "basis": "return", "convergence": "2 min", "start_error": "1 m", "correlation_time": "30 min", "frame": "base",
    "source": {"repeatable": "invented"},
}  # fmt: skip


def written(tmp_path, *entries):
    path = tmp_path / "tiers.yaml"
    path.write_text(yaml.safe_dump(list(entries)))
    return path


def test_shipped_catalogue_has_every_tier_and_every_figure_a_source():
    catalogue = load_catalogue(SHIPPED)
    assert list(catalogue.tiers) == IDS
    for entry in catalogue.sources.values():
        quantities = {"pass_to_pass", "repeatable", "baseline_growth", "range"}
        quantities |= {"convergence", "start_error", "correlation_time"}
        assert set(entry["source"]) == quantities & set(entry)


def test_a_figure_is_of_a_return_across_the_track_where_nothing_else_is_said(tmp_path):
    """shared/README.md: `basis: return` is the default, R a 95 % bound of a one-dimensional normal."""
    short = {key: value for key, value in GOOD.items() if key not in ("measure", "basis")}
    made, whole = (load_catalogue(written(tmp_path, entry)) for entry in (short, GOOD))
    assert made.tiers["mine"] == whole.tiers["mine"]
    assert made.tiers["mine"].repeatable_m == pytest.approx(0.03)
    assert dict(made.sources["mine"]) == GOOD


@pytest.mark.parametrize("frame", ["base", "ITRF2020", "nad83 (2011)", "JGD2011", "SIRGAS2000"])
def test_a_frame_of_any_network_will_do(tmp_path, frame):
    assert load_catalogue(written(tmp_path, GOOD | {"frame": frame})).tiers["mine"].frame == frame


def test_shipped_figures_in_si():
    tiers = load_catalogue(SHIPPED).tiers
    # Common practice, no source: 1 in plus 1/8 in per mile, base within 10 miles.
    assert tiers["rtk_base"].repeatable_at(8 * 1609.344) == pytest.approx(2 * INCH_M)
    assert tiers["rtk_base"].range_m == pytest.approx(16093.44)
    # ION NAVIGATION 71(4) 665 (2024): 20 cm horizontal 95 %, taken as an absolute 2-D R95.
    assert tiers["galileo_has"].repeatable_m == pytest.approx(0.20 / 2.44775 * 1.95996 * 2**0.5, rel=1e-5)


def test_tier_survives_json():
    for tier in load_catalogue(SHIPPED).tiers.values():
        assert tier_from_json(json.loads(json.dumps(tier_to_json(tier)))) == tier


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"repeatable": 0.03}, "repeatable: 0.03 has no unit"),
        ({"repeatable": "-3 cm"}, "negative"),
        ({"repeatable": "3 parsnip"}, "unknown unit"),
        ({"repeatable": True}, "True: expected a length"),
        ({"frame": "bsae"}, "frame: 'bsae' is unknown; did you mean"),
        ({"frame": "Base"}, "'base' where the base decides"),
        ({"frame": "ITRF 2022"}, "did you mean 'ITRF2020'"),
        ({"frame": "WGS 84"}, "is a family of frames"),
        ({"convergence": "3 cm"}, "not a unit of time"),
        ({"start_error": "1 cm"}, "start_error: '1 cm' is less than repeatable"),
        ({"correlation_time": "0 min"}, "correlation_time_s is 0"),
        ({"repeatible": "3 cm"}, "unknown key 'repeatible'; did you mean 'repeatable'"),
        ({"measure": "r95"}, "did you mean 'r95_2d'"),
        ({"basis": "abs"}, "did you mean 'absolute'"),
        ({"id": "My Base"}, "small letters"),
        ({"name": 7}, "expected text"),
        ({"source": "me"}, "source: found 'me'"),
        ({"source": {"repeatabl": "me"}}, "did you mean 'repeatable'"),
        ({"published": [{"figure": "x"}]}, "expected just figure, value"),
    ],
)
def test_bad_tier_is_one_clear_error(tmp_path, change, message):
    path = written(tmp_path, GOOD | change)
    with pytest.raises(ConfigError) as error:
        load_catalogue(path)
    assert message in str(error.value)
    assert str(path) in str(error.value)


def test_missing_key_duplicate_id_and_duplicate_key(tmp_path):
    with pytest.raises(ConfigError, match="'name' is missing"):
        load_catalogue(written(tmp_path, {k: v for k, v in GOOD.items() if k != "name"}))
    with pytest.raises(ConfigError, match="there twice"):
        load_catalogue(written(tmp_path, GOOD, GOOD))
    path = tmp_path / "twice.yaml"
    path.write_text("- id: a\n  id: b\n")
    with pytest.raises(ConfigError, match="line 2: the key 'id' is written twice"):
        load_catalogue(path)
    with pytest.raises(ConfigError, match="cannot be read"):
        load_catalogue(tmp_path / "absent.yaml")
