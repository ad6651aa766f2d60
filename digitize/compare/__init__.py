"""Does a part match its master: placed on it, deviations along it, their uncertainty, and a verdict."""
