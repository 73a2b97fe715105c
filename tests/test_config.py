"""The configuration: the example, the defaults, and every way of writing a bad one."""

import copy
from datetime import date
from pathlib import Path

import pytest

from pipeline.errors import ConfigError
from pipeline.files.config import config_from_dict, resolve_tiers
from pipeline.files.config_models import Config
from pipeline.files.layer_models import Model
from pipeline.files.plain_yaml import read_yaml

ROOT = Path(__file__).parents[1]
MINIMAL = {
    "title": "Invented",
    "inputs": {
        "fields": {"file": "a.gpkg"},
        "strips": {
            "file": "a.gpkg",
            "constants": {"row_count": 12, "row_spacing": "30 in", "strip_width": "8 in"},
        },
    },
}


def changed(key, value):
    data = copy.deepcopy(MINIMAL)
    *parents, last = key.split(".")
    place = data
    for name in parents:
        place = place.setdefault(name, {})
    place[last] = value
    return data


def test_example_is_valid_and_its_tiers_resolve(tmp_path):
    config = config_from_dict(read_yaml(ROOT / "config" / "example.yaml"), source="example.yaml")
    tiers, compare = resolve_tiers(config, project_root=ROOT, working_dir=tmp_path)
    assert compare == ["sbas", "ppp_cm", "rtk_network", "rtk_base"]
    assert len(tiers) == 10
    assert config.inputs.strips.constants.given() == pytest.approx(
        {"row_count": 12, "row_spacing_m": 0.762, "strip_width_m": 0.2032, "tier": "rtk_base",
         "frame": "NAD83(2011)", "epoch": 2010.0}
    )  # fmt: skip


def test_readme_shows_the_example():
    example = (ROOT / "config" / "example.yaml").read_text().split("\n", 1)[1]
    assert example in (ROOT / "config" / "README.md").read_text()


def test_every_key_has_a_description():
    def bare(model):
        for name, field in model.model_fields.items():
            if not field.description:
                yield f"{model.__name__}.{name}"
            if isinstance(field.annotation, type) and issubclass(field.annotation, Model):
                yield from bare(field.annotation)

    assert list(bare(Config)) == []


def test_defaults(tmp_path):
    config = config_from_dict(MINIMAL, source="x.yaml")
    assert config.inputs.rows is None
    assert config.raster.cell_m == 0.1
    assert config.judging.field_capacity.autumn_m2_per_s == pytest.approx(8e4 / 3600)
    assert len(resolve_tiers(config, project_root=ROOT, working_dir=tmp_path)[1]) == 10


def test_comparing_all_is_the_default():
    assert config_from_dict(changed("tiers.compare", "all"), source="x").tiers.compare is None


def test_rows_without_a_file_need_the_planter():
    good = config_from_dict(
        changed("inputs.rows.constants", {"row_count": 24, "row_spacing": "30 in"}), source="x"
    )
    assert good.inputs.rows.file is None
    with pytest.raises(ConfigError, match="row_count and row_spacing"):
        config_from_dict(changed("inputs.rows.constants", {"row_count": 24}), source="x")


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("inputs.strips.constants.row_spacing", 0.762, "0.762 has no unit; write for example '0.762 m' or '30 in'"),
        ("inputs.strips.constants.row_spacing", "-30 in", "expected 0.1 to 5 m"),
        ("inputs.strips.constants.row_spacing", "30 ft", "expected 0.1 to 5 m"),
        ("inputs.strips.constants.strip_width", "40 in",
         "strip_width is 1.016 m, row_spacing 0.762 m; expected strips narrower than their spacing"),
        ("inputs.strips.constants.strip_width", "30 in",
         "strip_width is 0.762 m, row_spacing 0.762 m; expected strips narrower than their spacing"),
        ("inputs.strips.file", "my {1}.gpkg", "inputs.strips.file: 'my {1}.gpkg' has braces"),
        ("tiers.catalogue", "{a}.yaml", "tiers.catalogue: '{a}.yaml' has braces"),
        ("inputs.strips.constants.row_count", 0, "found 0, expected greater than or equal to 1"),
        ("inputs.strips.constants.row_count", True, "found True"),
        ("inputs.strips.constants.epoch", float("nan"), "found nan"),
        ("inputs.strips.columns", {"startd_at": "T0"}, "unknown column 'startd_at'; did you mean 'started_at'"),
        ("inputs.stripes", {"file": "a"}, "unknown key 'stripes'; did you mean 'strips'"),
        ("inputs.rows", {"file": "a", "kind": "planed"}, "inputs.rows.kind: found 'planed', expected 'planned'"),
        ("judgin", {}, "unknown key 'judgin'; did you mean 'judging'"),
        ("judging.row_margin_m", "1 in", "did you mean 'row_margin'"),
        ("judging.row_margin", "4 in", "expected less than half"),
        ("judging.row_miss_share", 1.5, "judging.row_miss_share: found 1.5"),
        ("judging.row_miss_share", float("inf"), "found inf"),
        ("judging.field_capacity.autumn", "8 ha", "not a unit of area per time"),
        ("judging.seed", -1, "found -1"),
        ("raster.cell", "1 mm", "expected 0.01 to 5 m"),
        ("report.units", "imperial", "expected 'us' or 'metric'"),
        ("tiers.compare", [], "tiers.compare: names nothing; expected 1 or more, or leave the key out"),
        ("title", False, "title: found false (which no and off are too), expected text; put it in quotes"),
        ("title", 2026, "title: found the value 2026, expected text; put it in quotes"),
        ("title", date(2026, 10, 1), "title: found the date 2026-10-01, expected text; put it in quotes"),
        ("inputs.fields", {}, "inputs.fields.file: is missing"),
        ("inputs", 3, "inputs: found 3"),
    ],
)  # fmt: skip
def test_bad_configuration_is_one_clear_error(key, value, message):
    with pytest.raises(ConfigError) as error:
        config_from_dict(changed(key, value), source="mine.yaml")
    assert message in str(error.value)
    assert str(error.value).startswith("mine.yaml")
    assert "pydantic" not in str(error.value)


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [  # an are is 0.01 ha, a knot 1852 / 3600 m/s, a radian 57.2958 degrees
        ("judging.field_capacity.autumn", "0.05 ha/h", "'0.05 ha/h': expected 0.1 to 500 ha/h"),
        ("judging.field_capacity.spring", "9 are/h", "'9 are/h' is 0.09 ha/h; expected 0.1 to 500 ha/h"),
        ("judging.convergence.gap", "0.5 s", "'0.5 s': expected 1 s to 24 h"),
        ("judging.convergence.gap", "2 days", "'2 days' is 48 h; expected 1 s to 24 h"),
        ("judging.convergence.working_day", "30 min", "'30 min': expected 1 to 24 h"),
        ("inputs.strips.log.pause", "5400 s", "'5400 s' is 1.5 h; expected 1 s to 1 h"),
        ("inputs.strips.log.turn_angle", "3 rad", "'3 rad' is 171.887 deg; expected 20 to 170 deg"),
        ("inputs.strips.log.still", "10 knots", "'10 knots' is 5.14444 m/s; expected 0 to 2 m/s"),
        ("inputs.strips.log.gap", "0.5 m", "'0.5 m': expected 1 to 200 m"),
        ("judging.row_margin", "-1 in", "'-1 in' is -0.0254 m; expected 0 to 0.5 m"),
    ],
)  # fmt: skip
def test_limits_are_told_as_the_handbook_has_them(key, value, told):
    with pytest.raises(ConfigError) as error:
        config_from_dict(changed(key, value), source="mine.yaml")
    assert str(error.value) == f"mine.yaml: {key}: {told}"
    # The handbook has both in one line.
    name = key.split(".", 1)[1].removeprefix("strips.").replace("spring", "autumn")
    limits = told.split("expected ")[1]
    lines = [line for line in (ROOT / "config" / "README.md").read_text().splitlines() if line.startswith(f"| `{name}`")]
    assert len(lines) == 1 and f"| {limits}" in lines[0]


def test_a_long_value_is_not_told_whole():
    with pytest.raises(ConfigError) as error:
        config_from_dict(changed("title", ["x" * 10_000]), source="mine.yaml")
    assert str(error.value) == (
        f"mine.yaml: title: found ['{'x' * 75}..., expected a valid string; correct it as config/README.md shows"
    )


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("tiers.compare", ["rtk_bas"], "did you mean 'rtk_base'"),
        ("tiers.compare", ["sbas", "sbas"], "names a tier twice"),
        ("tiers.autumn", "ppp", "tiers.autumn"),
        ("tiers.catalogue", "absent.yaml", "no file at"),
        ("inputs.strips.constants.tier", "rtk", "inputs.strips.constants.tier"),
    ],
)
def test_tiers_that_do_not_resolve(tmp_path, key, value, message):
    config = config_from_dict(changed(key, value), source="mine.yaml")
    with pytest.raises(ConfigError, match=message):
        resolve_tiers(config, project_root=ROOT, working_dir=tmp_path)
