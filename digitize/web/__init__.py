"""The page at the bench: one local page over the same calls as the command line. It computes nothing itself."""
