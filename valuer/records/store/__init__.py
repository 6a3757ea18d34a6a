"""The store of the user's own machines and sales: a SQLite file, or any database that SQLAlchemy reaches."""
