"""How often the bounds of every estimator hold the truth, measured with many samples.

Run by hand: `uv run python -m tests.benchmarks.cover_floor [SAMPLES] [SEED]` (default 4000 samples of each). Prints
the share of samples whose bounds held the truth, with the standard error of that share; asserts nothing.
"""

from __future__ import annotations

import sys

import numpy as np

from tests.covering import ABOUT, AT_LEAST


def main(n_samples: int, seed: int) -> None:
    for promise, found in (("about 95 %", ABOUT), ("at least 95 %", AT_LEAST)):
        for name, cover in found.items():
            held = cover(np.random.default_rng(seed), n_samples)
            share = held.mean()
            error = np.sqrt(share * (1 - share) / len(held))
            print(f"{name:28} {promise:14} {share:.4f} +- {error:.4f} of {len(held)}", flush=True)


if __name__ == "__main__":
    main(*(int(text) for text in (sys.argv[1:] + ["4000", "11"][len(sys.argv) - 1 :])[:2]))
