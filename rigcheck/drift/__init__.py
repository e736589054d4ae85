"""Is it the same rig: verify with a board, compare two calibrations, look over weeks of results."""
