"""The thing that is scanned: recordings drawn with exact truth, for tests, samples and benchmarks."""
