"""Evenleaf: keeps the seedings and harvests of a hydroponic leafy-green house even."""
