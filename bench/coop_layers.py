"""The layers of an invented co-op: what each field adds to them."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import shapely

from bench.coop_fields import BLOCK_M, ORIGIN_M, WORK, CoopField, drawing
from bench.coop_passes import (
    DAY_S,
    FIELDS_PER_FARM,
    FIRST_MORNING,
    MOVE_S,
    TAPE_95_M,
    Passes,
    dug,
    farm_implement,
    farm_of,
    passes_of,
    tree_belt,
    worked,
)

TEXT, WHOLE, NUMBER, YES_NO = pa.string(), pa.int32(), pa.float64(), pa.bool_()
#: Geometry type and columns of each layer, in the order of the file.
LAYERS = {
    "fields": ("Polygon", {"FIELD": TEXT, "FARM": TEXT, "GROWER": TEXT}),
    "strips": ("LineString", {"FIELD": TEXT, "PASS": WHOLE, "T0": TEXT, "T1": TEXT, "ROWS": WHOLE}),
    "planter": ("LineString", {"FIELD": TEXT, "PASS": WHOLE, "ROWS": WHOLE}),
    "bases": ("Point", {"BASE": TEXT, "SURVEYED": YES_NO}),
    "checks": ("Point", {"FIELD": TEXT, "PASS": WHOLE, "OFFSET_M": NUMBER, "TAPE_M": NUMBER}),
    "zones": ("Polygon", {"FIELD": TEXT, "TIER": TEXT, "FACTOR": NUMBER}),
}
SHAPES = "geometry"
#: Blocks along the side of a square with one base in its middle: 12 km.
BLOCKS_PER_BASE = 2
Columns = dict[str, object]


def layers_of(fields: Iterator[CoopField], *, seed: int) -> Iterator[dict[str, Columns]]:
    """Yield what each field adds to the layers, field by field; the machine of a farm goes from one to the next."""
    free_s, based = 0, set()
    for field in fields:
        farm, rng = farm_of(field), drawing(seed, WORK, field.number)
        rows, day = farm_implement(farm, seed=seed)
        if field.number % FIELDS_PER_FARM == 0:
            free_s = day * DAY_S
        passes = passes_of(field, rng, rows=rows)
        starts_s, ends_s = worked(passes, rng, begin_s=free_s)
        free_s = int(ends_s[-1]) + MOVE_S
        square = tuple(index // BLOCKS_PER_BASE for index in field.block)
        added = _of_field(field, passes, rng, times_s=(starts_s, ends_s))
        yield added if square in based else added | {"bases": _base(len(based), square)}
        based.add(square)


def _of_field(
    field: CoopField, passes: Passes, rng: np.random.Generator, *, times_s: tuple[np.ndarray, np.ndarray]
) -> dict[str, Columns]:
    """What a field adds to the layers, but bases."""
    name, farm = f"F{field.number + 1:06d}", farm_of(field) + 1
    count = len(passes.ends_m)
    common = {"FIELD": [name] * count, "PASS": np.arange(1, count + 1), "ROWS": [passes.rows] * count}
    planned = field.to_grid(passes.ends_m.reshape(-1, 2)).reshape(-1, 2, 2)
    built = shapely.linestrings(field.to_grid(passes.built_m), indices=passes.of_vertex)
    times = dict(zip(("T0", "T1"), (_utc(one) for one in times_s), strict=True))
    which, places_m, offsets_m = dug(field, passes, rng)
    return {
        "fields": {
            "FIELD": [name], "FARM": [f"Invented farm {farm:04d}"], "GROWER": [f"Invented member {farm:04d}"],
            SHAPES: [field.boundary()],
        },
        "strips": common | times | {SHAPES: built},
        "planter": common | {SHAPES: shapely.linestrings(planned)},
        "checks": {
            "FIELD": [name] * len(which), "PASS": which + 1, "OFFSET_M": np.round(offsets_m, 3),
            "TAPE_M": [TAPE_95_M] * len(which), SHAPES: shapely.points(field.to_grid(places_m)),
        },
        "zones": _zone(field, name, rng),
    }  # fmt: skip


def _zone(field: CoopField, name: str, rng: np.random.Generator) -> Columns:
    """The tree belt of a field; an empty table where it has none."""
    belt, factor = tree_belt(field, rng)
    shapes = [] if belt is None else [shapely.transform(belt, field.to_grid)]
    count = len(shapes)
    return {"FIELD": [name] * count, "TIER": ["*"] * count, "FACTOR": [factor] * count, SHAPES: shapes}


def _base(number: int, square: tuple[int, int]) -> Columns:
    """A base in the middle of a square of blocks: the nearest one to every field there, whatever comes to lie beside."""
    middle_m = np.add(ORIGIN_M, BLOCKS_PER_BASE * BLOCK_M * (np.array(square) + 0.5))
    return {"BASE": [f"INVENTED_{number + 1:03d}"], "SURVEYED": [True], SHAPES: [shapely.Point(middle_m)]}


def _utc(seconds: np.ndarray) -> np.ndarray:
    """ISO times of seconds after the first morning."""
    return np.char.add(np.datetime_as_string(FIRST_MORNING + seconds.astype("timedelta64[s]"), unit="s"), "Z")
