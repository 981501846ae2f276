"""One file per page; each offers ``routes(context)``."""
