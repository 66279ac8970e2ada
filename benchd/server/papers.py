"""How papers are sent: their types, and what a browser may do with them."""

from __future__ import annotations

from typing import Any

from fastapi import Response

#: Its style and its pictures stand within it; it fetches nothing and runs nothing.
POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"
MEDIA = {"html": "text/html; charset=utf-8", "pdf": "application/pdf"}
PAPER: dict[str, Any] = {
    "description": "The paper.",
    "content": {
        "application/pdf": {"schema": {"type": "string", "format": "binary"}},
        "text/html": {"schema": {"type": "string"}},
    },
}


def paper_response(paper: bytes, format: str) -> Response:
    """`format`: a key of MEDIA."""
    return Response(paper, headers={"Content-Type": MEDIA[format], "Content-Security-Policy": POLICY})
