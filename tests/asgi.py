"""Requests to a server of ours without a socket, on the event loop of the test."""

from __future__ import annotations


async def answer_of(server, path, query="", *, method="GET", chunks=(b"",)):
    """What a server answers to one request, whose body comes in chunks: status and body."""
    told, coming = [], iter(chunks)

    async def receive():
        chunk = next(coming, None)
        body = {"body": chunk or b"", "more_body": chunk is not None}
        return {"type": "http.request", **body}

    async def send(message):
        told.append(message)

    scope = {
        "type": "http",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": query.encode(),
        "headers": [(b"host", b"127.0.0.1:8000")],
        "server": ("127.0.0.1", 8000),
    }
    await server(scope, receive, send)
    start, *rest = told
    return start["status"], b"".join(m.get("body", b"") for m in rest)
