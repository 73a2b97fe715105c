"""Batches of fields: small enough, and untouched by fields that come and go elsewhere."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.files import fields
from pipeline.files.fields import MOST_IN_BATCH, batches_of, field_folder

IDS = [f"F{number:05d}" for number in range(5000)]


@pytest.fixture(scope="module")
def batches():
    return batches_of(IDS)


def test_every_field_is_in_one_batch_and_none_is_too_large(batches):
    assert sorted(name for names in batches.values() for name in names) == IDS
    assert max(map(len, batches.values())) <= MOST_IN_BATCH
    # A batch costs its start: they must not be far smaller than they may be, either.
    assert len(batches) < 3 * len(IDS) / MOST_IN_BATCH


@given(number=st.integers(0, len(IDS) - 1))
def test_a_field_that_goes_touches_its_batch_and_the_one_it_is_joined_with(batches, number):
    after = batches_of(IDS[:number] + IDS[number + 1 :])
    (home,) = (name for name, members in batches.items() if IDS[number] in members)
    changed = {name for name in batches.keys() | after.keys() if batches.get(name) != after.get(name)}
    assert home in changed
    # Its sister and the branch that holds both may change their names: all lie under one prefix one bit shorter.
    assert all(name.startswith(home[:-1]) or home.startswith(name) for name in changed)
    assert sum(len(batches.get(name, [])) for name in changed) <= MOST_IN_BATCH + 1


@pytest.mark.parametrize("name", ["North 40", "Süd (2)", "7+8", "a_b-c.d", "½ section", "x" * 110])
def test_a_folder_is_called_as_its_field(name):
    assert field_folder(name) == name


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", ".hidden", "-rf", " a", "a ", "a.", "a/b", "a\\b", "a:b", "a*", "{a}", "a,b", "a=b", "'a'", "$a",
     "a\tb", "a\u00a0b", "e\u0301", "\u212b", "con", "LPT1", "aux.txt", "nul .txt",
     "COM\u00b9", "lpt\u00b2.txt", "x" * 111, "ü" * 56],
)  # fmt: skip
def test_a_name_that_some_system_could_not_store_has_a_hash(name):
    folder = field_folder(name)
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,60}-[0-9a-f]{8}", folder)
    assert folder != field_folder(name + "!")


def test_order_plays_no_part():
    assert batches_of(IDS[:300]) == batches_of(IDS[:300][::-1])


def test_two_fields_can_work_on_two_cores():
    assert len(batches_of(IDS[:20])) == 2
    assert list(batches_of(["F0"]).values()) == [["F0"]]


def test_a_batch_that_overflows_is_cut_in_two(monkeypatch):
    monkeypatch.setattr(fields, "MOST_IN_BATCH", 2)
    few = batches_of(IDS[:4])
    grown = batches_of(IDS[:12])
    assert all(len(names) <= 2 for names in grown.values())
    assert len(grown) > len(few)
