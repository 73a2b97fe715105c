"""What lies in each field, by hash and count, from what the intake wrote: to tell what changed between two runs."""

import hashlib
import json
from pathlib import Path

from pipeline import columns as c
from pipeline.files.store import read_arrow, read_json, sha256
from pipeline.files.texts import safe_text

#: Of this form are the contents; a later one compares with none of an earlier one.
FORM = 2
_GEOMETRY = "geometry"


def contents_of(folders: dict[str, Path], known: dict) -> dict:
    """Contents of the fields of all batches.

    Parameters
    ----------
    folders : dict of batch to Path
        As the intake fills them.
    known : dict
        Contents of an earlier run; a batch of the same key is not read again.

    Returns
    -------
    dict of batch to its ``key`` and its ``fields``
        A field has by layer the count and hash of its features, and by column what the boundaries' layer says of it.
        Ids are those of the tables.
    """
    out = {}
    for batch, folder in sorted(folders.items()):
        key = f"{FORM} {sha256(folder / 'key.json')}"
        same = known.get(batch, {}).get("key") == key
        out[batch] = known[batch] if same else {"key": key, "fields": _batch(folder)}
    return out


def _batch(folder: Path) -> dict[str, dict]:
    fields: dict[str, dict] = {}
    layers = {name: _by_field(folder / f"{name}.parquet") for name in read_json(folder / "key.json")}
    for field_id, features in layers.pop("fields").items():
        (boundary,) = features
        said = {name: value for name, value in boundary.items() if name not in (_GEOMETRY, c.FIELD_ID)}
        shape = {name: value for name, value in boundary.items() if name == _GEOMETRY}
        fields[safe_text(field_id)] = {"boundary": {"hash": _hash([shape])}, "said": said} | {
            name: {"count": len(found), "hash": _hash(found)}
            for name, layer in layers.items()
            if (found := layer.get(field_id))
        }
    return fields


def _by_field(path: Path) -> dict[str, list[dict]]:
    """Features of a layer as plain values, by field; with its geometry goes the CRS."""
    table = read_arrow(path)
    crs = json.loads(table.schema.metadata[b"geo"])["columns"][_GEOMETRY].get("crs")
    named = json.dumps(crs, sort_keys=True).encode()
    out: dict[str, list[dict]] = {}
    for feature in table.to_pylist():
        feature[_GEOMETRY] = hashlib.sha256(named + (feature[_GEOMETRY] or b"")).hexdigest()
        out.setdefault(feature[c.FIELD_ID], []).append(feature)
    return out


def _hash(features: list[dict]) -> str:
    """Of a set of features: their order is no content, nor is what only names one by its place in that order."""
    plain = ({name: value for name, value in one.items() if name != c.CHECK} for one in features)
    each = sorted(json.dumps(one, sort_keys=True, default=str) for one in plain)
    return hashlib.sha256("\n".join(each).encode()).hexdigest()
