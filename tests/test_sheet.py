"""The field sheet: what stands on it, that it is the same twice, and figures as people read them."""

import dataclasses
import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.lines import Line2D
from matplotlib.text import Text
from PIL import Image

from pipeline import columns as c
from pipeline.core import show
from pipeline.files import sheet
from pipeline.files.cautions import FOOT
from pipeline.files.config_models import Report
from pipeline.files.sheet_data import SheetData
from pipeline.files.sheet_map import DrawnMap, MapGrid, _pictures, chord_starts, joined
from pipeline.files.sheet_parts import CLASS_COLOURS, CLASS_LABELS, MARK_MM, round_length, set_apart, wrapped
from pipeline.steps.sheets import _notes

STRANGE = "<b>$x$ _&%"


def table_line(tier, **other):
    line = {
        "field_id": STRANGE,
        "farm": "Invented",
        "tier": tier,
        "row_count": 1104,
        "row_length_m": 1000.0,
        "holds_m": 600.0,
        "doubt_m": 300.0,
        "misses_m": 100.0,
        "no_strip_m": 0.0,
        "crossing_m": 0.0,
        "expected_miss_share": 0.12,
        "miss_share_p10": 0.03,
        "miss_share_p90": 0.4,
        "row_count_expected_missed": 17.0,
        "repeatable_95_m": 0.0254,
        "middle_95_m": 0.03,
        "baseline_m": float("nan"),
        "reach": "in reach",
    }
    return line | other


def sheet_data(tiers=2, *, size_m=(400.0, 300.0), **other):
    """An invented field of straight rows 0.762 m apart, every third row in doubt and every fourth off."""
    ids = [f"tier_{number}" for number in range(tiers)]
    x = np.arange(0.4, size_m[0], 0.762)
    segments = np.stack([np.c_[x, np.zeros_like(x)], np.c_[x, np.full_like(x, size_m[1])]], axis=1)
    number = np.arange(len(x))
    codes = np.where(number % 4 == 0, 2, np.where(number % 3 == 0, 1, 0)).astype(np.uint8)
    given = {
        "title": "Invented scenario",
        "field_id": STRANGE,
        "farm": "Invented",
        "boundary": shapely.box(0, 0, *size_m),
        "rows": {tier: (segments, codes) for tier in ids},
        "tier_names": {tier: f"Name of {tier}" for tier in ids},
        "table": pd.DataFrame([table_line(tier) for tier in ids]),
        "crs_name": "local transverse Mercator",
        "date": "2026-03-14",
        "sources": "invented.gpkg",
        "catalogue": "invented.yaml",
        "units": "us",
        "area_m2": size_m[0] * size_m[1],
        "strip_width_m": 0.2032,
        "row_spacing_m": 0.762,
        "notes": ("frame shift 1.35 m applied",),
    }
    return SheetData(**(given | other))


def texts(figure):
    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def test_sheet_is_written_whole_and_the_same_twice(tmp_path):
    written = []
    for name in ("first", "second"):
        png, pdf = tmp_path / f"{name}.png", tmp_path / f"{name}.pdf"
        sheet.save_sheet(sheet.draw_sheet(sheet_data()), png=png, pdf=pdf)
        written.append((png.read_bytes(), pdf.read_bytes()))
    assert written[0] == written[1]
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "first.pdf",
        "first.png",
        "second.pdf",
        "second.png",
    ]
    png, pdf = written[0]
    assert png.startswith(b"\x89PNG") and b"Software" not in png and 20_000 < len(png) < 1_000_000
    assert pdf.startswith(b"%PDF") and b"Date" not in pdf and 20_000 < len(pdf) < 1_000_000


@pytest.mark.parametrize("fails", ["pdf", "png"])
def test_failed_write_leaves_the_old_sheet(tmp_path, monkeypatch, fails):
    png, pdf = old = [tmp_path / "sheet.png", tmp_path / "sheet.pdf"]
    for path in old:
        path.write_bytes(b"old")
    figure = sheet.draw_sheet(sheet_data(1))
    if fails == "pdf":
        monkeypatch.setattr(figure, "savefig", lambda path, **_: (path.write_bytes(b"half"), 1 / 0))
    else:
        monkeypatch.setattr(sheet, "png_bytes", lambda *_, **__: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        sheet.save_sheet(figure, png=png, pdf=pdf)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"sheet.png": b"old", "sheet.pdf": b"old"}


def test_sheet_says_what_it_must():
    shown = texts(sheet.draw_sheet(sheet_data()))
    assert FOOT in shown
    assert f"Field {STRANGE}" in shown
    assert any("2026-03-14" in text and "local transverse Mercator" in text for text in shown)
    (foot,) = [" ".join(shown[k : k + 2]) for k, text in enumerate(shown) if text.startswith("2026-03-14")]
    assert "Tier figures: invented.yaml, which names their sources." in foot and "Data: invented.gpkg." in foot
    assert {"12\u00a0%", "3\u201340\u00a0%", "60\u00a0%", "17 of 1,104", "1.0\u00a0in"} <= set(shown)
    assert set(CLASS_LABELS[:3]) <= set(shown) and not set(CLASS_LABELS[3:]) & set(shown)


def test_names_are_text_and_not_mathematics():
    figure = sheet.draw_sheet(
        sheet_data(title="$\\frac{", farm="$a$", sources="$\\x$", notes=("$", "line\nbreak\x00"))
    )
    assert not any(text.get_parse_math() for text in figure.findobj(Text) if text.get_text())
    assert "$; line break" in texts(figure)
    FigureCanvasAgg(figure).draw()


@pytest.mark.parametrize(
    ("tiers", "size_m", "units", "paper"),
    [
        (1, (805.0, 805.0), "us", "a4"),
        (1, (150.0, 1600.0), "metric", "letter"),
        (5, (1600.0, 150.0), "us", "letter"),
        (5, (805.0, 805.0), "metric", "a4"),
        (10, (150.0, 1600.0), "us", "a4"),
        (10, (1600.0, 150.0), "metric", "a4"),
        (12, (805.0, 805.0), "us", "letter"),
    ],
)
def test_texts_stay_on_the_page_and_apart(tiers, size_m, units, paper):
    data = sheet_data(
        tiers,
        size_m=size_m,
        units=units,
        rows={},
        field_id=STRANGE * 20,
        farm="Farm " * 40,
        notes=("a note of some length",) * 12,
        crs_name="transverse Mercator centred on 42.3708, -93.9668, metres, datum of a name of some length",
        sources="layer.gpkg, " * 30,
    )
    figure = sheet.draw_sheet(data, paper=paper)
    renderer = FigureCanvasAgg(figure).get_renderer()
    shown = [text for text in figure.findobj(Text) if text.get_text().strip()]
    boxes = [text.get_window_extent(renderer) for text in shown]
    margin = 10 / 25.4 * figure.dpi
    page = figure.bbox.padded(-margin)
    assert all(
        page.x0 <= box.x0 and box.x1 <= page.x1 and page.y0 <= box.y0 and box.y1 <= page.y1 for box in boxes
    )
    # Boxes hold the room for descenders: an overlap of a few pixels in height is no collision of letters.
    for number, box in enumerate(boxes):
        for other, text in zip(boxes[number + 1 :], shown[number + 1 :], strict=True):
            across = min(box.x1, other.x1) - max(box.x0, other.x0)
            down = min(box.y1, other.y1) - max(box.y0, other.y0)
            assert across <= 1 or down <= 4, (shown[number].get_text(), text.get_text())


def test_tier_out_of_reach_or_without_figures_is_told():
    nan = float("nan")
    table = pd.DataFrame(
        [
            table_line(
                "tier_0",
                reach="out of reach",
                expected_miss_share=nan,
                miss_share_p10=nan,
                miss_share_p90=nan,
                holds_m=0.0,
                doubt_m=0.0,
                misses_m=0.0,
                row_count_expected_missed=nan,
            ),
            table_line("tier_1"),
        ]
    )
    shown = texts(sheet.draw_sheet(sheet_data(table=table)))
    assert shown.count("out of reach") == 2
    assert "Row length expected off the strip: 12\u00a0% with Name of tier_1" in shown


def test_distance_of_the_base_is_a_fact_of_the_field():
    near = pd.DataFrame([table_line(f"tier_{number}", baseline_m=12_875.0) for number in range(2)])
    assert any("base 8.0\u00a0mi away" in text for text in texts(sheet.draw_sheet(sheet_data(table=near))))
    none = pd.DataFrame([table_line(f"tier_{number}", baseline_m=None) for number in range(2)])
    assert not any("away" in text for text in texts(sheet.draw_sheet(sheet_data(table=none))))


def test_wrong_sheets_are_refused():
    with pytest.raises(ValueError, match="without a line"):
        sheet_data(tier_names={"other": "Other"})
    with pytest.raises(ValueError, match="empty boundary"):
        sheet_data(boundary=shapely.Polygon())
    with pytest.raises(ValueError, match="class codes"):
        joined(np.zeros((1, 2, 2)), codes=np.array([9], np.uint8), starts=np.array([True]))
    with pytest.raises(dataclasses.FrozenInstanceError):
        sheet_data().title = "other"


def test_map_scale_is_true():
    """800 m at the stated scale is the map's width on paper, within the room there is."""
    grid = MapGrid.best(maps=4, extent_m=(800.0, 800.0), room_mm=(193.0, 120.0), heading_mm=lambda _: 8.0)
    assert grid.map_mm[0] == pytest.approx(800_000 / grid.scale)
    assert grid.rows * (grid.map_mm[1] + 8) <= 120 and grid.used_mm <= 193 + 1e-9
    # Two by two: (120 - 5) / 2 - 8 = 49.5 mm for 800 m is 1:16,162, so 1:18,000 is the next round scale.
    assert (grid.columns, grid.scale) == (2, 18_000.0)


@pytest.mark.parametrize(("units", "said"), [("us", "12\u00a0in"), ("metric", "20\u00a0cm")])
def test_bar_of_the_rows_eye_view_is_as_long_as_it_says(units, said):
    """12 in is 304.8 mm and 20 cm is 200 mm, at the scale that the view names."""
    figure = sheet.draw_sheet(sheet_data(12, units=units))
    scale = next(float(text.split("1:")[1]) for text in texts(figure) if text.startswith("Row's-eye view"))
    label = next(text for text in figure.findobj(Text) if text.get_text() == said)
    middle, foot = label.get_position()
    bars = [line.get_xydata() for line in figure.findobj(Line2D) if len(line.get_xydata()) == 2]
    lengths = [b[1, 0] - b[0, 0] for b in bars if b[0, 1] == b[1, 1] and abs(b[0, 1] - foot - 1.1) < 0.01
               and abs(b[:, 0].mean() - middle) < 0.01]  # fmt: skip
    assert lengths == [pytest.approx({"us": 304.8, "metric": 200.0}[units] / scale)]


def test_a_shift_between_frames_is_told_to_the_hundredth_of_a_foot():
    """By arithmetic: 1.128 m east and 0.790 m south are 1.3771 m, which is 4.518 ft, towards 125.0 degrees."""
    facts = {"frame_east_m": 1.128, "frame_north_m": -0.790, "frames": [("ITRF2014", 2025.3), ("NAD83(2011)", 2010.0)]}
    field = SimpleNamespace(
        facts=facts, rows=pd.DataFrame({c.TIGHT: [False]}), strips=pd.DataFrame({c.TIGHT: [False]})
    )
    table = pd.DataFrame({c.TIER: ["rtk"], c.BASE: ["surveyed"], c.CONVERGING_ROW_M: [0.0], c.CONVERGING_STRIP_M: [0.0]})
    extra = SimpleNamespace(shift_note=lambda names, units: [], checked=None)
    (note,) = _notes(field, SimpleNamespace(compare=["rtk"], names={"rtk": "RTK"}), "us", table, extra, ["rtk"])
    assert note == (
        "Planter lines moved 4.52 ft towards 125 deg (SE), from NAD83(2011) at 2010.0 to ITRF2014 at 2025.3: "
        "a difference of frames, not drift."
    )


@pytest.mark.parametrize(("paper", "mm"), [("a4", (297, 210)), ("letter", (279.4, 215.9))])
def test_page_is_of_the_paper(tmp_path, paper, mm):
    """A4 by ISO 216, US Letter 11 by 8.5 in; a point is 1/72 in."""
    png, pdf = tmp_path / "sheet.png", tmp_path / "sheet.pdf"
    sheet.save_sheet(sheet.draw_sheet(sheet_data(1, paper=paper)), png=png, pdf=pdf)
    box = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", pdf.read_bytes())
    assert [float(part) / 72 * 25.4 for part in box.groups()] == pytest.approx(mm, abs=0.1)
    with Image.open(png) as picture:
        assert [size / 150 * 25.4 for size in picture.size] == pytest.approx(mm, abs=0.2)


@pytest.mark.parametrize(("units", "asked", "paper"), [
    ("us", "auto", "letter"), ("metric", "auto", "a4"), ("us", "a4", "a4"), ("metric", "letter", "letter"),
])  # fmt: skip
def test_paper_goes_by_the_units_unless_told(units, asked, paper):
    assert Report(units=units, paper=asked).paper_size == paper


def test_marks_too_near_are_set_apart_and_others_stay():
    xy = np.array([[0.0, 0.0], [0.0, 0.0], [0.5, 0.2], [40.0, 40.0]])
    fixed = np.array([[0.2, 0.0]])
    moved = set_apart(xy, fixed=fixed, least=MARK_MM)
    assert (moved[3] == xy[3]).all()
    everyone = np.concatenate([moved, fixed])
    gaps = np.hypot(*(everyone[:, None] - everyone[None]).T)[np.triu_indices(5, 1)]
    assert gaps.min() > 0.95 * MARK_MM
    assert np.hypot(*(moved - xy).T).max() < 3 * MARK_MM
    # Two that are 1 mm apart each go half of what is missing, and no more than a little beyond.
    pair = set_apart(np.array([[0.0, 0.0], [1.0, 0.0]]), fixed=np.zeros((0, 2)), least=3.0)
    assert pair[:, 1].tolist() == [0.0, 0.0] and pair[0, 0] == pytest.approx(-pair[1, 0] + 1)
    assert 3.0 <= pair[1, 0] - pair[0, 0] < 3.3


def test_rows_finer_than_a_pixel_make_the_mixture_of_their_classes():
    """Rows an eighth of a pixel apart, every fourth off: a quarter orange and three quarters blue."""
    pixel_mm = 25.4 / 150
    x = np.arange(0.0, 10.0, pixel_mm / 8)
    segments = np.stack([np.c_[x, 0 * x], np.c_[x, 0 * x + 10.0]], axis=1)
    codes = np.where(np.arange(len(x)) % 4 == 0, 2, 0).astype(np.uint8)
    one = DrawnMap((0.0, 0.0), shapely.box(0, 0, 10, 10), segments, codes)
    (picture,) = _pictures([one], pitch_px=1 / 8)
    tint = picture[10:-10, 10:-10].reshape(-1, 3).mean(axis=0)
    blue, orange = (255 * np.array(to_rgb(CLASS_COLOURS[code])) for code in (0, 2))
    assert tint == pytest.approx(0.75 * blue + 0.25 * orange, abs=4)


def test_lines_break_at_spaces_and_hyphens_between_letters():
    narrow = wrapped("Satellite-delivered PPP 10-20\u00a0cm", size=7, width=14.0, lines=9)
    assert narrow[:2] == ["Satellite-", "delivered"] and "10-20\u00a0cm" in narrow
    assert "".join(narrow).replace(" ", "") == "Satellite-deliveredPPP10-20\u00a0cm"


def test_nothing_on_a_sheet_can_be_clicked(tmp_path):
    png, pdf = tmp_path / "sheet.png", tmp_path / "sheet.pdf"
    strange = "=HYPERLINK(\"http://example.org\") <script>alert(1)</script>"
    sheet.save_sheet(sheet.draw_sheet(sheet_data(1, field_id=strange, farm=strange, title=strange)), png=png, pdf=pdf)
    data = pdf.read_bytes()
    assert not any(word in data for word in (b"/URI", b"/JavaScript", b"/JS", b"/Launch", b"/OpenAction"))


def test_joined_keeps_ends_classes_and_gaps():
    """Ten touching metres in one class, then another class, then a gap: chords of about 3 m."""
    x = np.r_[np.arange(10.0), 10.0, 20.0]
    segments = np.stack([np.c_[x, 0 * x], np.c_[x + 1, 0 * x]], axis=1)
    codes = np.r_[np.zeros(10), 1, 1].astype(np.uint8)
    chords, classes = joined(segments, codes=codes, starts=chord_starts(segments, shortest=3.0))
    length = (chords[:, 1] - chords[:, 0])[:, 0]
    assert len(chords) < len(segments) and length.sum() == pytest.approx(12.0)
    assert length[classes == 0].sum() == pytest.approx(10.0)
    assert (chords[-1] == segments[-1]).all()


@pytest.mark.parametrize(
    ("longest_m", "units", "expected"),
    [
        (700.0, "metric", (500.0, "m")),
        (700.0, "us", (2000 * 0.3048, "ft")),
        (2600.0, "metric", (2500.0, "km")),
        (90.0, "us", (250 * 0.3048, "ft")),
        (1609.344 * 2.2, "us", (1609.344 * 2, "mi")),
    ],
)
def test_scale_bar_has_a_round_length(longest_m, units, expected):
    length_m, unit = round_length(longest_m, units=units)
    assert length_m == pytest.approx(expected[0]) and unit == expected[1]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (show.length_text(0.0254, units="us"), "1.0 in"),
        (show.length_text(0.508, units="us"), "20 in"),
        (show.length_text(0.9144, units="us"), "3.0 ft"),
        (show.length_text(0.038, units="metric"), "3.8 cm"),
        (show.length_text(0.95, units="metric"), "95 cm"),
        (show.length_text(1.354, units="metric"), "1.4 m"),
        (show.length_text(848_000, units="metric"), "848 km"),
        (show.length_text(float("nan"), units="us"), "\u2013"),
        (show.length_text(0.2534, units="us"), "10 in"),
        (show.length_text(10.5, units="metric"), "11 m"),  # half up, as JavaScript's toFixed in the page
        (show.length_text(-12.5, units="metric"), "\N{MINUS SIGN}13 m"),
        (show.distance_text(12_875, units="us"), "8.0 mi"),
        (show.width_text(0.762, units="us"), "30 in"),
        (show.width_text(0.762, units="metric"), "76.2 cm"),
        (show.area_text(647_497, units="us"), "160 ac"),
        (show.area_text(647_497, units="metric"), "64.7 ha"),
        (show.area_text(999_600, units="metric"), "100 ha"),
        (show.share_text(0.0), "0 %"),
        (show.share_text(-1e-17), "0 %"),
        (show.share_text(1e-12), "0 %"),
        (show.share_text(1 - 1e-12), "100 %"),
        (show.share_text(0.001), "<1 %"),
        (show.share_text(0.999), ">99 %"),
        (show.share_text(0.126), "13 %"),
        (show.share_range_text(0.001, 0.18), "<1 to 18 %"),
        (show.share_range_text(0.61, 0.998), "61 to >99 %"),
        (show.share_range_text(0.03, 0.18), "3\u201318 %"),
        (show.share_range_text(0.001, 0.002), "<1 %"),
        (show.count_text(1104.0), "1,104"),
    ],
)
def test_figures_as_people_read_them(text, expected):
    assert re.sub("\u00a0", " ", text) == expected


def test_unknown_units_are_refused():
    with pytest.raises(ValueError, match="us or metric"):
        show.length_text(1.0, units="imperial")


def test_where_somebody_dug_the_answer_is_what_holds_after_the_checks():
    names = {"a": "A", "a checked": "A, checked", "b": "B", "b checked": "B, checked"}
    shares = {"a": 0.12, "a checked": 0.3, "b": 0.9, "b checked": 0.4}
    table = pd.DataFrame([table_line(tier, expected_miss_share=share) for tier, share in shares.items()])
    rows = dict.fromkeys(names, sheet_data(1).rows["tier_0"])
    shown = texts(sheet.draw_sheet(sheet_data(table=table, tier_names=names, rows=rows)))
    assert "Row length expected off the strip: from 30\u00a0% with A, checked to 40\u00a0% with B, checked" in shown


BARE = {
    "holds_m": 0.0, "doubt_m": 0.0, "misses_m": 0.0, "no_strip_m": 1000.0, "expected_miss_share": np.nan,
    "miss_share_p10": np.nan, "miss_share_p90": np.nan, "middle_95_m": np.nan,
}  # fmt: skip


@pytest.mark.parametrize("tiers", [1, 2, 12])
def test_a_field_with_no_row_by_a_strip_says_that(tiers):
    table = pd.DataFrame([table_line(f"tier_{number}", **BARE) for number in range(tiers)])
    shown = texts(sheet.draw_sheet(sheet_data(tiers, table=table, strip_width_m=0.0)))
    assert "No row stands by a strip here." in shown
    assert shown.count("no row by a strip") == tiers
    assert not [text for text in shown if re.search(r"strips? 0|not computed|No tier|^0 of ", text)]
    assert "row spacing 30\u00a0in" in shown


def test_a_field_without_rows_and_strips_has_neither_width():
    table = pd.DataFrame([table_line("tier_0", **BARE | {"no_strip_m": 0.0, "row_length_m": 0.0, "row_count": 0})])
    shown = texts(sheet.draw_sheet(sheet_data(1, table=table, strip_width_m=0.0, row_spacing_m=0.0, rows={})))
    assert not [text for text in shown if re.search(r"(^| )0\u00a0in", text)]


def test_tiers_all_out_of_reach_are_no_lack_of_strips():
    table = pd.DataFrame([table_line("tier_0", reach="out of reach")])
    shown = texts(sheet.draw_sheet(sheet_data(1, table=table)))
    assert "No tier in reach has figures for this field." in shown and "12\u00a0% off, but out of reach" in shown
