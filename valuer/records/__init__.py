"""The user's own machines: files in and, later, the record of sales."""
