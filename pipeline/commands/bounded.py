"""Big layers by a sample: the intake's own reading code on some of the features, in seconds instead of minutes."""

import logging
import re
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from pipeline import columns as c
from pipeline.errors import InputError, RowreturnError
from pipeline.files.config import Config
from pipeline.files.opening import ENGINE_ERRORS, resting
from pipeline.files.reading import Features, read_columns
from pipeline.files.vector_files import is_whole, layer_name

#: A layer whose features and vertices weigh more than this is read by a sample: a look at so much in full takes
#: some nine seconds of one core (measured: 9 s for 1.4 million, 24 s for 4.8 million).
MOST_WEIGHT = 1_500_000
#: A feature costs as much as so many vertices.
FEATURE_WEIGHT = 20
#: The sample: blocks of features that follow one another, spread over the layer.
BLOCKS, PER_BLOCK = 10, 300
#: Formats in which a reader gets to a feature without reading all before it; in another a sample takes longer than all.
SEEKING = ("GPKG", "FlatGeobuf", "ESRI Shapefile")
_PROBED = 200


@dataclass(frozen=True)
class Sample:
    """A layer's features that are looked at in its stead.

    Attributes
    ----------
    file, layer : str
        The layer, as the configuration names it.
    format : str
        Name of the file's format.
    copy : Path
        Where the sample is for as long as the look takes.
    of : int
        Features in the layer.
    ids : ndarray of int
        Ids in the layer of the sample's features, in their order.
    faults : ndarray of str or None
        Why a geometry of them could not be read; the copy has none there.
    """

    file: str
    layer: str
    format: str
    copy: Path
    of: int
    ids: np.ndarray
    faults: np.ndarray

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

    def reasons(self, rejects: pd.DataFrame) -> list[str]:
        """Why features were rejected, that of the layer itself where their geometry could not even be copied."""
        faults = dict(zip(range(1, len(self.faults) + 1), self.faults, strict=True))
        numbers = pd.to_numeric(rejects[c.FEATURE], errors="coerce")
        return [faults.get(number) or reason for number, reason in zip(numbers, rejects[c.REASON], strict=True)]


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
    if is_whole(path) or zipfile.is_zipfile(path):  # what is packed is unpacked anew for every block
        return None
    try:
        with resting(path, f"inputs.{role}") as rests:
            layer = layer_name(rests, given.layer, role)
            return _sample_of(_Big(rests, layer, given.encoding), role, given.file, folder)
    except (InputError, *ENGINE_ERRORS):
        return None


@dataclass(frozen=True)
class _Big:
    """A layer that may be too big."""

    path: Path
    layer: str
    encoding: str | None

    def read(self, columns: list[str] | None, **part: int) -> Features:
        return read_columns(self.path, self.layer, "", columns, encoding=self.encoding, **part)

    def blocks(self, features: int, *, of_points: bool) -> tuple[gpd.GeoDataFrame, np.ndarray]:
        """Some of the features; of a log of points the first ones in one block, or its passes would be cut up."""
        each, count = _plan(of_points=of_points)
        starts = np.unique(np.linspace(0, max(features - each, 0), count).astype(int)) if count > 1 else [0]
        read = [self.read(None, skip=int(start), most=each) for start in starts]
        whole, faults = pd.concat([one.frame for one in read]), np.concatenate([one.faults for one in read])
        once = ~whole.index.duplicated()
        return whole[once], faults[once]


def _plan(*, of_points: bool) -> tuple[int, int]:
    """Features of a block, and how many blocks."""
    return (MOST_WEIGHT // (FEATURE_WEIGHT + 1), 1) if of_points else (PER_BLOCK, BLOCKS)


def _sample_of(big: _Big, role: str, file: str, folder: Path) -> Sample | None:
    info = pyogrio.read_info(big.path, layer=big.layer, force_feature_count=True)
    if info["geometry_type"] is None or info["crs"] is None:
        return None
    of_points = "Point" in str(info["geometry_type"])
    if info["driver"] not in SEEKING or info["features"] <= np.prod(_plan(of_points=of_points)):
        return None
    vertices = shapely.get_num_coordinates(big.read([], most=_PROBED).frame.geometry.values)
    if info["features"] * (FEATURE_WEIGHT + (vertices.mean() if len(vertices) else 0.0)) <= MOST_WEIGHT:
        return None
    table, faults = big.blocks(int(info["features"]), of_points=of_points)
    copy = folder / f"{role}.gpkg"
    logging.getLogger("pyogrio").setLevel(logging.WARNING)  # else it tells how many records the sample has
    pyogrio.write_dataframe(table, copy, layer=big.layer, driver="GPKG")
    return Sample(file, big.layer, info["driver"], copy, int(info["features"]), table.index.to_numpy(), faults)


def in_the_layers_words(error: RowreturnError, samples: dict[str, Sample]) -> RowreturnError:
    """The same error, told of the layers and not of their samples."""
    message = str(error)
    for sample in samples.values():
        message = sample.in_words(message)
    return type(error)(message) if isinstance(error, InputError) else error


def rejected_ids(sample: Sample | None, features: list[str]) -> list[str]:
    """Ids of rejected features in the layer itself."""
    return features if sample is None else [sample.id_of(feature) for feature in features]
