#!/usr/bin/env python3
"""Times the simulator's Hermitian solver beside numpy's `eigh`, in one run.

Both get the same random matrices and take turns. Within a round the median over
many batches counts, between rounds the best, for either side: what else runs on
the machine only ever adds time. Wanted: at dimensions 2 to 8 at least twice as fast as numpy, at 16 no
slower than 60 microseconds, eigenvalues equal to 1e-12 of the largest.
Needs python3 with numpy, and cargo. Run it from the project's root:

    python3 tests/outside/eigh_beside_numpy.py [rounds]
"""

import json
import os
import subprocess
import sys
import time

# One thread for both: at these sizes more only cost time.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np  # noqa: E402

DIMENSIONS = [2, 3, 4, 5, 6, 7, 8, 16]
RATIO_MIN = 2.0
DIMENSION_16_MAX_US = 60.0
AGREEMENT_MAX = 1e-12


def build():
    """Builds the benchmark and gives the path of its binary."""
    command = ["cargo", "bench", "-p", "noctule-sim", "--bench", "spin", "--no-run", "--message-format=json"]
    output = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
    for line in output.splitlines():
        message = json.loads(line)
        if message.get("reason") == "compiler-artifact" and message["target"]["name"] == "spin":
            if message.get("executable"):
                return message["executable"]
    raise SystemExit("cargo built no benchmark named `spin`")


def hermitian(rng, n):
    raw = rng.uniform(-1, 1, (n, n)) + 1j * rng.uniform(-1, 1, (n, n))
    return (raw + raw.conj().T) / 2


def batch(matrix, calls):
    start = time.perf_counter()
    for _ in range(calls):
        np.linalg.eigh(matrix)
    return time.perf_counter() - start


def numpy_time_us(matrix):
    """Median time of one call over batches of about a millisecond, as on the other side."""
    calls = 1
    while batch(matrix, calls) < 1e-3:
        calls *= 2
    return float(np.median([batch(matrix, calls) for _ in range(101)])) * 1e6 / calls


def ours(binary, matrix):
    numbers = np.stack([matrix.real, matrix.imag], axis=-1).ravel().tolist()
    request = json.dumps([[len(matrix), numbers]])
    answer = subprocess.run([binary, "eigh-times"], input=request, check=True, stdout=subprocess.PIPE, text=True)
    return json.loads(answer.stdout)[0]


def main():
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    binary = build()
    rng = np.random.default_rng(7)
    failed = False
    print(f"numpy {np.__version__}, {rounds} rounds, best median of each side")
    print(f"{'n':>3} {'own (us)':>9} {'numpy (us)':>11} {'ratio':>6} {'largest difference':>19}")
    for n in DIMENSIONS:
        own, theirs, difference = [], [], 0.0
        for _ in range(rounds):
            matrix = hermitian(rng, n)
            theirs.append(numpy_time_us(matrix))
            answer = ours(binary, matrix)
            own.append(answer["time_us"])
            expected = np.linalg.eigh(matrix)[0]
            off = np.max(np.abs(np.array(answer["values"]) - expected)) / np.max(np.abs(expected))
            difference = max(difference, float(off))
        own_us, numpy_us = min(own), min(theirs)
        ratio = numpy_us / own_us
        bad = difference > AGREEMENT_MAX
        bad |= n <= 8 and ratio < RATIO_MIN
        bad |= n == 16 and own_us > DIMENSION_16_MAX_US
        failed |= bad
        print(f"{n:>3} {own_us:>9.3f} {numpy_us:>11.3f} {ratio:>6.1f} {difference:>19.1e}{'  MISSED' if bad else ''}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
