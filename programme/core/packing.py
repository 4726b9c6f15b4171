"""Answers packed by gzip for browsers that take them so; what is sent in pieces is packed piece by piece."""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Iterator
from gzip import GzipFile

from django.http import HttpRequest, HttpResponseBase, StreamingHttpResponse
from django.middleware.gzip import GZipMiddleware, re_accepts_gzip
from django.utils.cache import patch_vary_headers
from django.utils.text import StreamingBuffer


class PackingMiddleware(GZipMiddleware):
    """The framework's own, but each piece leaves at once: its own holds the first people of the list back."""

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        if not isinstance(response, StreamingHttpResponse):
            return super().process_response(request, response)
        patch_vary_headers(response, ("Accept-Encoding",))
        if re_accepts_gzip.search(request.headers.get("Accept-Encoding", "")):
            response.streaming_content = packed(iter(response), self.max_random_bytes)
            response.headers["Content-Encoding"] = "gzip"
        return response


def packed(pieces: Iterable[bytes], most_random_bytes: int) -> Iterator[bytes]:
    """Yield one gzip file (RFC 1952), a part for each piece; its length is blurred, as a packed length tells of it."""
    buffer = StreamingBuffer()
    name = "a" * secrets.randbelow(most_random_bytes)
    with GzipFile(filename=name, mode="wb", compresslevel=6, fileobj=buffer, mtime=0) as packer:
        for piece in pieces:
            packer.write(piece)
            packer.flush()
            yield buffer.read()
    yield buffer.read()
