"""Tables put together from columns: what pandas puts together from frames."""

import numpy as np
import pandas as pd

from pipeline.files.stacked import stacked


def test_parts_lie_one_below_the_other_and_a_scalar_stands_for_as_many():
    parts = [
        {"row": np.arange(2), "tier": "sbas", "share": 0.5, "name": np.array(["a", "b"], object)},
        {"row": np.arange(3), "tier": "rtk_base, longer", "share": np.array([1.0, 2.0, np.nan]), "name": "c"},
    ]
    frames = [pd.DataFrame(part) for part in parts]
    pd.testing.assert_frame_equal(stacked(parts), pd.concat(frames, ignore_index=True))


def test_parts_without_a_line_keep_their_columns():
    none = {"row": np.zeros(0, np.int64), "tier": "sbas"}
    table = stacked([none, none])
    assert list(table) == ["row", "tier"] and len(table) == 0
