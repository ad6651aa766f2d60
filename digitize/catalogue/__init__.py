"""The shop's patterns: plain files in a folder, an index beside them that can be lost, and what is found in it."""
