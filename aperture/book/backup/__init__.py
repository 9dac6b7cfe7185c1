"""The book kept safe: backups, restoring them, and looking whether all is whole."""
