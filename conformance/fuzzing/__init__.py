"""The parts of the fuzzer: who speaks, what is said, how a failure is told and kept."""
