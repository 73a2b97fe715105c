"""Big layers by a sample: the intake's own reading code on some of the features, in seconds instead of minutes."""

import logging
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import shapely

from pipeline.errors import InputError, RowreturnError
from pipeline.files.config import Config
from pipeline.files.layers import Layer

#: A layer whose features and vertices weigh more than this is read by a sample: a look at so much in full takes
#: some nine seconds of one core (measured: 9 s for 1.4 million, 24 s for 4.8 million).
MOST_WEIGHT = 1_500_000
#: A feature costs as much as so many vertices.
FEATURE_WEIGHT = 20
#: The sample: blocks of features that follow one another, spread over the layer.
BLOCKS, PER_BLOCK = 10, 300
_PROBED = 200


@dataclass(frozen=True)
class Sample:
    """A layer's features that are looked at in its stead.

    Attributes
    ----------
    role, file, layer : str
        The layer, as the configuration names it.
    copy : Path
        Where the sample is for as long as the look takes.
    of : int
        Features in the layer.
    ids : ndarray of int
        Ids in the layer of the sample's features, in their order.
    """

    role: str
    file: str
    layer: str
    copy: Path
    of: int
    ids: np.ndarray

    def in_words(self, message: str) -> str:
        """An error on the sample as one on the layer itself."""
        if self.copy.as_posix() not in message:
            return message
        here = message.replace(self.copy.as_posix(), Path(self.file).as_posix())
        return re.sub(r"\bfeature (\d+)", lambda match: f"feature {self.id_of(match[1])}", here)

    def id_of(self, feature: str) -> str:
        """Id in the layer of a feature of the sample; what is no feature's number stays as it is."""
        number = int(feature) - 1 if feature.isdecimal() else -1
        return str(self.ids[number]) if 0 <= number < len(self.ids) else feature


def bounded(settings: Config, folder: Path) -> tuple[Config, dict[str, Sample]]:
    """Replace big layers of strips and rows by samples.

    Parameters
    ----------
    settings : Config
    folder : Path
        A temporary folder for the samples.

    Returns
    -------
    settings : Config
        The same with other files.
    samples : dict of role to Sample
        Those that were replaced. Fields and bases are always read in full.
    """
    samples = {}
    for role in ("strips", "rows"):
        given = getattr(settings.inputs, role)
        if given is not None and given.file is not None and (sample := _sample(role, given, folder)) is not None:
            samples[role] = sample
    changed = {
        role: getattr(settings.inputs, role).model_copy(update={"file": str(one.copy), "layer": one.layer})
        for role, one in samples.items()
    }
    return settings.model_copy(update={"inputs": settings.inputs.model_copy(update=changed)}), samples


def _sample(role: str, given: Any, folder: Path) -> Sample | None:
    """A sample of a layer that is too big; None where it is small, or not even readable (the intake says why)."""
    path = Path(given.file)
    try:
        names = [str(name) for name in pyogrio.list_layers(path)[:, 0]]
        layer = given.layer or (names[0] if len(names) == 1 else None)
        if layer not in names:
            return None
        info = pyogrio.read_info(path, layer=layer, force_feature_count=True)
        if info["geometry_type"] is None or info["crs"] is None:
            return None
        if info["features"] * (FEATURE_WEIGHT + _vertices_each(path, layer)) <= MOST_WEIGHT:
            return None
        table = _blocks(path, layer, int(info["features"]), of_points="Point" in str(info["geometry_type"]))
        copy = folder / f"{role}.gpkg"
        logging.getLogger("pyogrio").setLevel(logging.WARNING)  # else it tells how many records the sample has
        pyogrio.write_dataframe(table, copy, layer=layer, driver="GPKG")
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, RuntimeError, ValueError):
        return None
    return Sample(role, given.file, layer, copy, int(info["features"]), table.index.to_numpy())


def _vertices_each(path: Path, layer: str) -> float:
    shapes = pyogrio.read_dataframe(path, layer=layer, columns=[], max_features=_PROBED).geometry.values
    return float(np.mean(shapely.get_num_coordinates(shapes))) if len(shapes) else 0.0


def _blocks(path: Path, layer: str, features: int, *, of_points: bool) -> pd.DataFrame:
    """Some of the features; of a log of points the first ones in one block, or its passes would be cut up."""
    each = MOST_WEIGHT // (FEATURE_WEIGHT + 1) if of_points else PER_BLOCK
    starts = [0] if of_points else np.unique(np.linspace(0, max(features - each, 0), BLOCKS).astype(int))
    parts = [
        pyogrio.read_dataframe(path, layer=layer, skip_features=int(start), max_features=each, fid_as_index=True)
        for start in starts
    ]
    whole = pd.concat(parts)
    return whole[~whole.index.duplicated()]


def in_the_layers_words(error: RowreturnError, samples: dict[str, Sample]) -> RowreturnError:
    """The same error, told of the layers and not of their samples."""
    message = str(error)
    for sample in samples.values():
        message = sample.in_words(message)
    return type(error)(message) if isinstance(error, InputError) else error


def rejected_ids(layer: Layer, sample: Sample | None, features: list[str]) -> list[str]:
    """Ids of rejected features in the layer itself."""
    return features if sample is None else [sample.id_of(feature) for feature in features]
