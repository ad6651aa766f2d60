"""One command per file: arguments in, one call of the pipeline, files and a summary out."""
