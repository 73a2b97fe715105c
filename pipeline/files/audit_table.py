"""The audit of planted rows as a table: what the logs say of shift, bias and scatter, and what each tier promised."""

import pandas as pd

from pipeline import columns as c
from pipeline.core.pairs import Places
from pipeline.core.returns import ReturnError
from pipeline.core.tiering import PLANTED
from pipeline.errors import InputError
from pipeline.files.field_data import FieldData
from pipeline.files.settings import Settings

# All others are numbers.
_TEXTS = (c.FIELD_ID, c.FARM, c.TIER, c.DAY, c.DAY_UTC, c.PART, c.SAID)
_COUNTS = (c.PASSES, c.SAMPLES)


def audit_of(field: FieldData, places: Places, errors: dict[str, ReturnError], judging: Settings) -> pd.DataFrame:
    """Audit one field's logged rows.

    Parameters
    ----------
    field : FieldData
    places : Places
        Of the field's spans.
    errors : dict of tier id to ReturnError
    judging : Settings

    Returns
    -------
    DataFrame
        Columns `columns.AUDIT`; a line per tier, part and, of the shift, day. Without lines unless the rows are planted
        ones: a plan has no errors to audit, and a survey is not a receiver's log.

    Raises
    ------
    InputError
        If the samples cannot be audited.
    """
    if judging.kind != PLANTED:
        return _table([], field)
    # Statistics take a second to import, and only who audits shall wait for them.
    from pipeline.files.audit_lines import lines_of
    from pipeline.files.audit_logged import Logged

    try:
        return _table(lines_of(Logged.of(field, places), errors, judging), field)
    except InputError as error:
        raise InputError(f"field '{field.facts['field_id']}': {error}") from error


def _table(lines: list[dict], field: FieldData) -> pd.DataFrame:
    named = [line | {c.FIELD_ID: field.facts["field_id"], c.FARM: field.facts["farm"]} for line in lines]
    kinds = {name: object if name in _TEXTS else int if name in _COUNTS else float for name in c.AUDIT}
    return pd.DataFrame(named, columns=c.AUDIT).astype(kinds)
