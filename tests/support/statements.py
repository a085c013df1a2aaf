"""One memory of compiled SQL statements for all ledgers of a test process.

SQLAlchemy keeps them per engine, and a test process opens thousands of ledgers, each of which would compile the same
statements anew: a fifth of all the time of a small offload. Nothing of the database itself is shared.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite
from sqlalchemy.engine.base import Engine
from sqlalchemy.util import LRUCache


def share_compiled_statements() -> None:
    """From now on, in this process. A compiled statement belongs to a dialect: all SQLite ones count as one."""
    compiled: LRUCache[Any, Any] = LRUCache(500)
    make = Engine.__init__

    def with_shared_memory(engine: Engine, *given: Any, **named: Any) -> None:
        make(engine, *given, **named)
        engine._compiled_cache = compiled

    Engine.__init__ = with_shared_memory  # type: ignore[method-assign,assignment]
    SQLiteDialect_pysqlite.__eq__ = lambda one, other: type(one) is type(other)  # type: ignore[method-assign]
    SQLiteDialect_pysqlite.__hash__ = lambda one: hash(SQLiteDialect_pysqlite.name)  # type: ignore[method-assign,assignment]
