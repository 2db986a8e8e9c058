"""What the benchmarks share: test data, the emulated lines, the contenders, and measuring a child process.

The programs themselves are `tests/bench/*.py`; they run as root from the project's environment, own everything they
make through the lab's `Estate`, and report what they measured, misses included.
"""
