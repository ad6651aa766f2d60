"""The values that travel: outlines and segments, contours, cameras, sheets, lengths, errors. No files, no pixels."""
