"""An outline mended by hand: joints moved, added and removed, stretches straightened and redrawn."""
