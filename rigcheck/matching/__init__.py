"""Sub-pixel matches of skin detail between the two cameras."""

from rigcheck.matching.pair import PairMatcher, match_pair
from rigcheck.matching.prepared import MaskedPair
from rigcheck.matching.refine import PatchShape

__all__ = ["MaskedPair", "PairMatcher", "PatchShape", "match_pair"]
