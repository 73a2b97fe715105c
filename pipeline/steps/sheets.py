"""The sheet of every field: the map that a consultant hands over."""

from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline import columns as c
from pipeline.core.cut import cut_lines
from pipeline.core.figures import of_fields, without_empty_shares
from pipeline.core.show import epoch_text, length_text, shift_text
from pipeline.files.field_files import sheets_of
from pipeline.files.kept import Kept, hash_of
from pipeline.files.laid_out import PIECES, LaidOut
from pipeline.files.log import LOG, WORK, run_step
from pipeline.files.progress import counted
from pipeline.files.settings import Settings, fields_of
from pipeline.files.sheet import draw_sheet, save_sheet
from pipeline.files.sheet_data import MOST_TIERS, SheetData
from pipeline.files.sheet_extra import LAYERS, SheetExtra, segments_of
from pipeline.files.store import read_frame, read_geo, read_json, to_json, write_bytes

# A field is flagged when a tier expects more than this share off the strip, or is out of reach.
FLAGGED_SHARE = 0.05


def run(
    *, passes: Path, bands: Path, odds: Path, tiers: Path, report: Path, results: Path, out: Path | None,
    only: str | None = None, kept: Kept | None = None,
) -> None:  # fmt: skip
    """Draw the sheets of a batch, or of one field of it; a field without planted rows has none.

    Parameters
    ----------
    passes, bands, odds : Path
        Folders of those steps.
    tiers, report : Path
        Settings.
    results : Path
        Folder for the sheets.
    out : Path or None
        List of the sheets drawn; none where only one is asked for.
    only : str, optional
        Folder name of the one field to draw.
    kept : Kept, optional
        What was drawn before.
    """
    judging, said = Settings.read(tiers), read_json(report)
    rows, facts, shift = (read_frame(odds / f"{name}.parquet") for name in ("rows", "fields", "shift"))
    # A field without planted rows gets no sheet: there is nothing on it to hand over.
    planted = facts[facts[c.FIELD_ID].isin(rows[c.FIELD_ID])]
    figures = without_empty_shares(of_fields(planted, rows.assign(**{c.ROW_COUNT: 1})))
    drawn, asked = [], only is not None or said["sheets"] != "none"
    layers = {kind: read_geo(bands / f"{kind}.parquet") for kind in LAYERS if asked}
    for folder in counted(fields_of(passes, only=only), "sheets", "fields", log=LOG):
        field, pieces = LaidOut(folder), read_frame(bands / PIECES / f"{folder.name}.parquet")
        table = figures[figures[c.FIELD_ID] == field.facts["field_id"]]
        files = sheets_of(results, folder.name)
        # One that is asked for alone was drawn by an earlier run and is expected, whatever has changed since.
        if only is not None or _wanted(table, said["sheets"]):
            extra = SheetExtra.of(field, layers, rows, shift)
            sheet = _sheet(field, pieces, judging, said, table, extra)
            make = partial(_draw, sheet, *files)
            if kept:
                kept.tables(folder.name, hash_of(sheet), make, beside=files)
            else:
                make()
            drawn.append(folder.name)
        else:
            for stale in files:
                stale.unlink(missing_ok=True)
    if out is not None:
        write_bytes(out, to_json({"sheets": drawn}))


def _draw(sheet: SheetData, png: Path, pdf: Path) -> dict[str, pd.DataFrame]:
    LOG.debug("sheets: %s", png.parent.name)
    png.parent.mkdir(parents=True, exist_ok=True)
    save_sheet(draw_sheet(sheet), png=png, pdf=pdf)
    return {}


def _wanted(table: pd.DataFrame, which: str) -> bool:
    flagged = (table[c.EXPECTED_MISS_SHARE] > FLAGGED_SHARE) | (table[c.REACH] == c.OUT_OF_REACH)
    return len(table) > 0 and (which == "all" or (which == "flagged" and bool(flagged.any())))


def _sheet(
    field: LaidOut, pieces: pd.DataFrame, judging: Settings, said: dict, table: pd.DataFrame, extra: SheetExtra
) -> SheetData:
    shown = _shown(judging.compare, table, dug=bool(extra.checked))
    names = {tier: judging.tiers[tier].name for tier in shown}
    rows, notes = _drawn_rows(field, pieces, shown), _notes(field, judging, said["units"], table, extra, shown)
    if extra.checked:
        names, rows, table = extra.beside(names, rows, table)
    return SheetData(
        title=said["title"], field_id=field.facts["field_id"], farm=field.facts["farm"],
        boundary=read_geo(field.folder / "boundary.parquet").geometry.iloc[0],
        rows=rows, tier_names=names, table=table, crs_name=_place(field, said["datum"]), date=_date(field),
        sources=said["sources"], catalogue=said["catalogue"],
        units=said["units"], area_m2=field.facts["area_m2"], strip_width_m=_middle(field.strips, c.STRIP_WIDTH_M),
        row_spacing_m=_middle(field.rows, c.ROW_SPACING_M), notes=notes,
        row_margin_m=judging.row_margin_m, dug=extra.dug, next_places=extra.next_places, zones=extra.zones,
        paper=said["paper"],
    )  # fmt: skip


def _shown(compare: list[str], table: pd.DataFrame, *, dug: bool) -> list[str]:
    """Tiers that there is room for, in the order compared: of many those under which least is expected to miss."""
    most = MOST_TIERS // (2 if dug else 1)
    share = table.set_index(c.TIER)[c.CHECKED_SHARE if dug else c.EXPECTED_MISS_SHARE].reindex(compare)
    best = share.sort_values(kind="stable").index[:most]
    return [tier for tier in compare if tier in best]


def _drawn_rows(field: LaidOut, pieces: pd.DataFrame, shown: list[str]) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Segments and class codes of the planted rows under each tier."""
    if len(pieces) == 0:
        return {}
    places = (pieces[name].to_numpy() for name in ("line", c.START_M, c.END_M))
    segments, piece = segments_of(cut_lines(field.lines("planter").geometry.values, *places))
    return {tier: (segments, pieces[c.under(c.CLASS, tier)].to_numpy()[piece]) for tier in shown}


def _middle(table: pd.DataFrame, name: str) -> float:
    return float(table[name].median()) if len(table) else 0.0


def _place(field: LaidOut, datum: str) -> str:
    at = f"{field.facts['latitude']:.4f}, {field.facts['longitude']:.4f}"
    return f"transverse Mercator centred on {at}, metres, datum {datum}"


def _date(field: LaidOut) -> str:
    """Date of the latest pass; the clock of the machine has no part in a sheet."""
    ends = pd.concat([field.strip_passes[c.ENDED_S], field.planter_passes[c.ENDED_S]]).max()
    if pd.isna(ends):
        return "No dates in the input"
    return f"Passes up to {datetime.fromtimestamp(float(ends), UTC).date().isoformat()} (UTC)"


def _notes(
    field: LaidOut, judging: Settings, units: str, table: pd.DataFrame, extra: SheetExtra, shown: list[str]
) -> tuple[str, ...]:
    east, north = field.facts["frame_east_m"], field.facts["frame_north_m"]
    notes = []
    if (east, north) != (0.0, 0.0):
        frames = " to ".join(f"{name} at {epoch_text(epoch)}" for name, epoch in reversed(field.facts["frames"]))
        notes.append(
            f"Planter lines moved {shift_text(east, north, units=units)}, from {frames}: a difference of frames, not drift."
        )
    if (table[c.BASE] == c.NOT_SURVEYED).any():
        notes.append("The base is not surveyed: it may stand elsewhere than in the other season, which is in the figures.")
    notes += extra.shift_note(judging.names, units) + _converging_note(table, judging.names, units)
    if field.rows[c.TIGHT].any() or field.strips[c.TIGHT].any():
        notes.append("Some bends are tighter than the implement; row lines were cut there.")
    if len(judging.compare) > len(shown):
        notes.append(f"Shown are the {len(shown)} of {len(judging.compare)} tiers that miss least; the tables have all.")
    return tuple(notes)


def _converging_note(table: pd.DataFrame, names: dict[str, str], units: str) -> list[str]:
    """How much was laid without a tier's figures, under the tier with most of it; strips may be of another tier's."""
    early = table.set_index(c.TIER)[[c.CONVERGING_ROW_M, c.CONVERGING_STRIP_M]]
    if not early.sum(axis=1).gt(0.0).any():
        return []
    tier = early.sum(axis=1).idxmax()
    parts = [
        f"{length_text(float(metres), units=units)} of row {said}"
        for metres, said in zip(early.loc[tier], ("laid", "on strips made"), strict=True) if metres > 0.0
    ]  # fmt: skip
    return [f"Under {names[tier]}: {' and '.join(parts)} without a converged signal."]


if __name__ == "__main__":
    job = snakemake  # type: ignore[name-defined]  # noqa: F821
    one = job.wildcards.get("field")
    run_step(
        lambda: run(
            passes=Path(job.input.passes).parent, bands=Path(job.input.bands).parent, odds=Path(job.input.odds).parent,
            tiers=Path(job.input.tiers), report=Path(job.input.report), results=Path("results"),
            out=None if one else Path(job.output[0]), only=one,
            kept=None if one else Kept.of_step("sheets", work=Path(WORK)),
        ),
        log=job.log[0],
    )  # fmt: skip
