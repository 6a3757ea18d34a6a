"""The JSON API: the same questions and the same documents as the command line."""
