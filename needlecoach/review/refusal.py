"""A request that can't be met, told in words."""

from __future__ import annotations

from typing import Any


class RefusalError(Exception):
    """Becomes an answer {"error": words} with a status of HTTP, and more keys where the page needs them."""

    def __init__(self, status: int, words: str, **more: Any) -> None:
        super().__init__(words)
        self.status, self.words, self.more = status, words, more
