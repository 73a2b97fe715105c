"""Small compiled pieces that several kernels share."""

import numba

# Threads of a step: the compiled parts of a field run side by side without holding each other up. Not as many as the
# machine has cores: `overlap` adds up lengths by belts, one a thread, so that another number may change last digits, and
# results are the same everywhere. Snakemake gives every core a step already: a second thread pays where a core is idle, as
# beside a field or a batch alone, and halves the compiled parts at best. Where none is, as in a cluster's jobs of one core,
# it gains nothing, and a second part of the work lies in memory. bench/README.md has no figures of other numbers.
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
