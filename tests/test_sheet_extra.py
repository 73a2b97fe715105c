"""What ground checks, starts and advice add to the sheets of a batch, drawn from a layer on disk."""

from collections import Counter
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet
import pytest
import shapely
from helpers import INCH, SPACING_M
from starts import MORNING, catalogue, times
from workflow import CRS, LENGTH_M, ORIGIN, ROWS, boundaries, config, passes_of, take_in, write_coop

from pipeline import columns as c
from pipeline.core.show import length_text
from pipeline.files.sheet_data import SheetData
from pipeline.files.sheet_extra import SheetExtra
from pipeline.files.store import read_json
from pipeline.steps import bands, odds, offsets, passes, sheets


def settings_with(folder, *, rows=None, **layers) -> dict:
    """Two fields of one batch, planted on their strips; further layers by role."""
    fields = boundaries().assign(FIELD=["F0", "F1"])  # names whose hashes put them into one batch
    file = write_coop(folder, fields=fields, rows=passes_of() if rows is None else rows)
    settings = config(folder)
    if rows is not None:
        settings["inputs"]["rows"]["columns"] |= {"started_at": "T0", "ended_at": "T1"}
    settings["report"]["sheets"] = "all"
    for name, layer in layers.items():
        layer.to_file(file, layer=name, driver="GPKG", engine="pyogrio")
        settings["inputs"][name] = {"file": str(file), "layer": name}
    return settings


def drawn(settings, folder, monkeypatch) -> tuple[list[SheetData], Counter]:
    """What the sheets of the batch would show, and which files of `bands` were read how often."""
    work, shown, read = take_in(settings, folder), [], Counter()
    (batch,) = (path for path in (work / "intake").iterdir() if path.is_dir())
    tiers, at = work / "settings/tiers.json", {name: work / name for name in ("passes", "offsets", "odds", "bands")}
    passes.run(batch=batch, settings=work / "settings/geometry.json", out=at["passes"])
    offsets.run(passes=at["passes"], out=at["offsets"])
    measured = {"passes": at["passes"], "offsets": at["offsets"], "tiers": tiers}
    odds.run(**measured, losses=tiers.with_name("losses.json"), out=at["odds"])
    bands.run(**measured, crs_from=work / "settings/crs.json", out=at["bands"])
    opened = pyarrow.parquet.ParquetFile

    def counted(path, **how):
        read[Path(path).name] += Path(path).parent == at["bands"]
        return opened(path, **how)

    monkeypatch.setattr(pyarrow.parquet, "ParquetFile", counted)
    monkeypatch.setattr(sheets, "draw_sheet", shown.append)
    monkeypatch.setattr(sheets, "save_sheet", lambda *_, **__: None)
    sheets.run(
        passes=at["passes"], bands=at["bands"], odds=at["odds"], tiers=tiers, report=work / "settings/report.json",
        results=Path(folder) / "results", out=work / "sheets.json",
    )  # fmt: skip
    return shown, read


def test_layers_of_a_batch_are_read_once_and_told_apart_by_field(tmp_path, monkeypatch):
    # A check in the second field only, on the row next to the middle of its first pass.
    place = shapely.Point(ORIGIN[0] + 440.0, ORIGIN[1] + 0.5 * (ROWS + 1) * SPACING_M)
    check = gpd.GeoDataFrame({"offset": [1 * INCH], "tape_error": [1 * INCH]}, geometry=[place], crs=CRS)
    shown, read = drawn(settings_with(tmp_path, checks=check), tmp_path, monkeypatch)
    assert (read["checked_row_lines.parquet"], read["next_checks.parquet"]) == (1, 1)
    assert [(one.field_id, len(one.dug)) for one in shown] == [("F0", 0), ("F1", 1)]
    assert [[tier for tier in one.tier_names if " " in tier] for one in shown] == [[], ["sbas checked", "rtk_base checked"]]
    # Rows in the middle of strips of 8 in: under rtk_base nothing can be missed, and a hole would tell nothing.
    assert [list(one.next_places) for one in shown] == [["sbas"], ["sbas checked"]]
    for one in shown:
        # EPSG:32614 is WGS 84 / UTM zone 14N, whose datum EPSG calls so.
        assert one.crs_name.endswith(", metres, datum World Geodetic System 1984 ensemble") and one.catalogue == "tiers.yaml"
        for xy in one.next_places.values():
            assert shapely.contains_xy(one.boundary, xy).all() and len(xy) == 5


def test_of_more_tiers_than_there_is_room_for_those_that_miss_least_are_shown():
    compare = [f"T{k}" for k in range(14)]
    table = pd.DataFrame({c.TIER: compare[::-1], c.EXPECTED_MISS_SHARE: np.arange(14) / 14, c.CHECKED_SHARE: np.nan})
    assert sheets._shown(compare, table, dug=False) == compare[2:]
    # Where somebody dug there are two maps a tier, and the share after the checks counts.
    table[c.CHECKED_SHARE] = table[c.EXPECTED_MISS_SHARE].to_numpy()[::-1]
    assert sheets._shown(compare, table, dug=True) == compare[:6]
    assert sheets._shown(compare[:5], table, dug=True) == compare[:5]


@pytest.mark.parametrize("strips_too", [False, True])
def test_the_sheet_says_what_was_laid_before_a_tier_had_converged(tmp_path, monkeypatch, strips_too):
    # Minutes 0, 1, 9 and 20 of a day; the slow tier takes 10 minutes, so three passes of the first field are early.
    # The other field is worked after it, without a break: nothing converges there.
    begun = MORNING + pd.to_timedelta([0, 1, 9, 20, 21, 22, 23, 24], unit="min")
    timed = passes_of().assign(T0=begun, T1=begun + pd.Timedelta("1 min"))
    settings = settings_with(tmp_path, rows=timed)
    if strips_too:
        write_coop(tmp_path, fields=boundaries().assign(FIELD=["F0", "F1"]), strips=timed, rows=timed)
        settings["inputs"]["strips"]["columns"] |= {"started_at": "T0", "ended_at": "T1"}
    settings["tiers"] = {"catalogue": catalogue(tmp_path), "compare": ["slow"]}
    settings["report"]["units"] = "metric"
    shown, _ = drawn(settings, tmp_path, monkeypatch)
    early = [[note for note in one.notes if "converged" in note] for one in shown]
    length = length_text(3 * ROWS * LENGTH_M, units="metric")
    parts = f"{length} of row laid and {length} of row on strips made" if strips_too else f"{length} of row laid"
    assert early == [[f"Under Invented: {parts} without a converged signal."], []]


@pytest.mark.parametrize("zone", [False, True])
def test_the_rows_eye_view_has_the_whole_error_with_steering(tmp_path, monkeypatch, zone):
    """Variances of tier and steering add up: 3, 1 and 2 in come to the root of 14 in, on the most of the row length."""
    settings = settings_with(tmp_path)
    settings["tiers"] = {"catalogue": catalogue(tmp_path), "compare": ["slow"]}
    settings["judging"] = {"steering": {"autumn": "1 in", "spring": "2 in"}}
    if zone:  # over the western third of the first field, across all of its rows
        west = shapely.box(ORIGIN[0] - 10, ORIGIN[1] - 10, ORIGIN[0] + LENGTH_M / 3, ORIGIN[1] + 500)
        trees = gpd.GeoDataFrame({"tier": ["*"], "factor": [2.0]}, geometry=[west], crs=CRS)
        trees.to_file(tmp_path / "coop.gpkg", layer="zones", driver="GPKG", engine="pyogrio")
        settings["inputs"]["zones"] = {"file": str(tmp_path / "coop.gpkg"), "layer": "zones"}
    shown, _ = drawn(settings, tmp_path, monkeypatch)
    found = [one.table["middle_95_m"].tolist() for one in shown]
    assert found == [[pytest.approx(INCH * 14**0.5, rel=1e-6)]] * 2


def test_a_field_without_planted_rows_has_no_sheet(tmp_path, monkeypatch):
    shown, _ = drawn(settings_with(tmp_path, rows=times(passes_of(1), [0, 60, 120, 180])), tmp_path, monkeypatch)
    (one,) = shown
    assert one.field_id == "F0"
    # Whole numbers stay whole: beside a field without rows they might be joined as parts.
    assert one.table["row_count"].tolist() == [4 * ROWS] * 2 and one.table["row_count"].dtype == np.int64
    assert read_json(tmp_path / "work/sheets.json") == {"sheets": ["F0"]}


SHIFT = "Shift to give the lines under Free signal: 6.0\xa0in towards 0 deg (N)"


@pytest.mark.parametrize(
    ("whole", "said"),
    [(True, f"{SHIFT}."), (False, f"{SHIFT}, across the rows only.")],
)
def test_the_shift_to_give_says_when_only_the_part_across_is_known(whole, said):
    given = pd.DataFrame({"tier": ["sbas"], "east_m": [0.0], "north_m": [6 * INCH], "whole": [whole]})
    extra = SheetExtra({}, pd.DataFrame(), np.zeros((0, 2)), {}, (), given)
    assert extra.shift_note({"sbas": "Free signal"}, "us") == [said]


def test_of_the_shifts_of_several_tiers_the_largest_is_told_as_its_tiers():
    given = pd.DataFrame({
        "tier": ["rtk", "sbas"], "east_m": [0.0, 0.0], "north_m": [-1 * INCH, 6 * INCH], "whole": [True, True],
    })  # fmt: skip
    extra = SheetExtra({}, pd.DataFrame(), np.zeros((0, 2)), {}, (), given)
    (said,) = extra.shift_note({"rtk": "A base", "sbas": "Free signal"}, "us")
    assert said == (
        "Shift to give the lines under Free signal, the largest: 6.0\xa0in towards 0 deg (N); each tier's in shift.csv."
    )
