"""What an outline seems to mean, and an outline drawn as it is meant."""
