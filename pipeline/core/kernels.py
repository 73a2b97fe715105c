"""Small compiled pieces that several kernels share."""

import numba

# Threads of a step. Not as many as the machine has cores: `overlap` adds up lengths by belts, one a thread, and another
# number may change last digits, while results are to be the same everywhere. A second one pays where a core is idle;
# Snakemake gives every core a step already.
THREADS = 2


@numba.njit(cache=True, nogil=True)
def sort_first(values, count):
    """Sort the first `count` values in place; by insertion, for there are mostly a few and nothing is allocated."""
    for i in range(1, count):
        value, j = values[i], i
        while j > 0 and values[j - 1] > value:
            values[j] = values[j - 1]
            j -= 1
        values[j] = value
