"""Patterns made whole: broken ones joined, halves completed, damage healed, shrinkage undone, sizes changed."""
