"""Whole columns of an SQLite table, from the pages of its file.

Where things stand in a page is told at https://www.sqlite.org/fileformat2.html, section 1.6 for a
table's tree and 2.1 for a row; all rows are read at once, in less than half the time in which they
are handed out one by one. What SQLite refuses as damaged raises its DatabaseError here too.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

Places = npt.NDArray[np.integer[Any]]  # in the file, one for each row
LEAF, INNER, DEEPEST = 13, 5, 20  # kinds of page of a table, and how many may lie one below another
NUMBERS, REAL, ONE = range(1, 8), 7, 9  # types of a value; 0 is NULL, 8 is the number 0, 9 is 1
TEXT = 12  # from here on a text is odd and else no text
WIDTHS = (0, 1, 2, 3, 4, 6, 8, 8, 0, 0, 0, 0)  # in bytes, by type
BYTES = np.array([*WIDTHS, *np.arange(128 - TEXT) // 2], dtype=np.int32)
LONGEST = 64  # bytes of a text up to which all texts of a column are cut out at once
NO_TEXT = "a cell that should be a text is none"


class Pages:
    """The pages of a database, as `sqlite3.Connection.serialize` gives them: journal and all."""

    def __init__(self, image: bytes) -> None:
        self.bytes = np.frombuffer(image, dtype=np.uint8)
        size = int(self._number(np.array([16]), 2)[0])
        self.size = 65536 if size == 1 else size
        self.usable = self.size - int(self.bytes[20])

    def columns(self, root: int, kinds: Sequence[str | None]) -> tuple[Places, list[Any]]:
        """Return the row numbers of the table whose tree has a ``root``, and its cells by column.

        They are in the order of row numbers. A column of the ``kinds`` integer or number is an
        array of numbers, any other an Arrow array of texts, as is one of numbers with a text in it;
        one of no kind is left out.
        """
        try:
            size, at = self._varint(self._cells(root))
            rows, at = self._varint(at)
            if (np.diff(rows) <= 0).any() or size.max(initial=0) > len(self.bytes):
                raise IndexError
            return rows, [*self._decoded(self._joined(size, at), kinds)]
        except (IndexError, ValueError):
            raise sqlite3.DatabaseError("database disk image is malformed") from None

    def _cut(self, at: Places, width: int) -> npt.NDArray[np.uint8]:
        if at.min(initial=0) < 0:
            raise IndexError
        every = np.ndarray(len(self.bytes) - width + 1, f"V{width}", self.bytes, strides=(1,))
        return every[at].view(np.uint8).reshape(len(at), width)

    def _number(self, at: Places, width: int) -> Places:
        whole = np.zeros((len(at), 8), dtype=np.uint8)
        whole[:, 8 - width :] = self._cut(at, width)
        return whole.view(">i8")[:, 0].astype(np.int64)

    def _varint(self, at: Places) -> tuple[Places, Places]:
        byte = self.bytes[at]
        value, at, more = (byte & 127).astype(np.int64), at + 1, byte > 127
        for _ in range(8):
            if not more.any():
                return value, at
            byte = self.bytes[at]
            value, at = np.where(more, value << 7 | byte & 127, value), at + more
            more &= byte > 127
        raise IndexError

    # where the rows of a table begin: down its tree, whose leaves are all at one depth
    def _cells(self, root: int) -> Places:
        pages = np.array([root])
        for _ in range(DEEPEST):
            at = (pages - 1) * self.size
            kind = self.bytes[at]
            if (kind == LEAF).all():
                return self._pointed(at, 8)
            if (kind != INNER).any() or len(at) * self.size > len(self.bytes):
                break
            below, n = self._number(self._pointed(at, 12), 4), self._number(at + 3, 2)
            pages = np.insert(below, np.cumsum(n), self._number(at + 8, 4))
        raise IndexError

    def _pointed(self, at: Places, head: int) -> Places:
        n = self._number(at + 3, 2)
        page = np.repeat(at, n)
        place = np.arange(len(page)) - np.repeat(np.cumsum(n) - n, n)
        return page + self._number(page + head + 2 * place, 2)

    # a row that is too long for its page goes on in others: it is joined behind the last page
    def _joined(self, size: Places, at: Places) -> Places:
        most, least = self.usable - 35, (self.usable - 12) * 32 // 255 - 23
        for row in np.flatnonzero(size > most):
            left, start = int(size[row]), int(at[row])
            here = least + (left - least) % (self.usable - 4)
            here = here if here <= most else least
            parts, follows = [self.bytes[start : start + here]], start + here
            while (left := left - here) > 0:
                page = self._number(np.array([follows]), 4)
                follows, here = int(page[0] - 1) * self.size, min(left, self.usable - 4)
                parts.append(self._cut(np.array([follows + 4]), here)[0])
            at[row] = len(self.bytes)
            self.bytes = np.concatenate([self.bytes, *parts])
        return at

    def _decoded(self, at: Places, kinds: Sequence[str | None]) -> Iterator[Any]:
        long, head = self._varint(at)
        types, at = self._types(head, at + long, len(kinds)), at + long
        for kind, of in zip(kinds, types, strict=True):
            each = of[:1] if (of == of[:1]).all() else of  # often of one type, and as wide
            wide = BYTES.take(each, mode="clip")
            if each.max(initial=0) > 127:
                wide = np.where(each > 127, (each - TEXT) // 2, wide)
            end = at + wide
            if wide.min(initial=0) < 0 or end.max(initial=0) > len(self.bytes):
                raise IndexError
            yield kind and self._column(kind, of, at, end - at)
            at = end

    # A row's head has the types of its values, mostly a byte each. Rows of before a column came in
    # end without it.
    def _types(self, head: Places, end: Places, n: int) -> Places:
        plain = self._cut(np.minimum(head, len(self.bytes) - n), n)
        odd = np.flatnonzero((end - head != n) | (plain > 127).any(axis=1))
        types: Places = np.array(plain.T, dtype=np.int32 if len(odd) else np.uint8, order="C")
        place, end = head[odd], end[odd]
        for column in types if len(odd) else ():
            there = place < end
            value, behind = self._varint(np.where(there, place, 0))
            column[odd], place = np.where(there, value, 0), np.where(there, behind, place)
        return types

    def _column(self, kind: str, types: Places, at: Places, wide: Places) -> Any:
        import pyarrow as pa

        if kind not in ("integer", "number"):
            return self._texts(types, at, wide)
        said = types >= TEXT
        if not said.any():
            return self._numbers(types, at, whole=kind == "integer")
        numbers = self._numbers(np.where(said, 0, types), at, whole=kind == "integer")
        texts = self._texts(np.where(said, types, 0), at, np.where(said, wide, 0)).to_pylist()
        both = zip(texts, numbers.tolist(), types, strict=True)
        cells = (text if of >= TEXT else None if of == 0 else str(one) for text, one, of in both)
        return pa.array(cells, pa.string()).dictionary_encode()

    def _numbers(self, types: Places, at: Places, *, whole: bool) -> npt.NDArray[Any]:
        whole &= bool(((types != 0) & (types != REAL)).all())
        found = np.where(types == 0, np.nan, types == ONE).astype(np.int64 if whole else np.float64)
        for of in NUMBERS:
            rows = np.flatnonzero(types == of)
            if len(rows):
                value, unused = self._number(at[rows], WIDTHS[of]), 64 - 8 * WIDTHS[of]
                signed = value << unused >> unused
                found[rows] = value.view(np.float64) if of == REAL else signed
        return found

    def _texts(self, types: Places, at: Places, wide: Places) -> Any:
        import pyarrow as pa

        if not types.any():
            return pa.nulls(len(at), pa.string()).dictionary_encode()
        there = types > 0
        if ((types & 1 == 1) != there).any() or (there & (types < TEXT)).any():
            raise sqlite3.DatabaseError(NO_TEXT)
        most, ends = int(wide.max()), np.append(0, np.cumsum(wide))
        if 0 < most <= LONGEST:
            cut = self._cut(at + wide - most, most)
            short = (most - wide).astype(np.uint8)[:, None]
            data = cut[np.arange(most, dtype=np.uint8) >= short] if short.any() else cut
        else:
            data = self.bytes[np.repeat(at - ends[:-1], wide) + np.arange(ends[-1])]
        given = np.packbits(there, bitorder="little")
        parts = [pa.py_buffer(part) for part in (given, ends.astype(np.int32), data)]
        texts = pa.Array.from_buffers(pa.string(), len(at), parts).dictionary_encode()
        try:
            texts.dictionary.validate(full=True)
        except pa.ArrowInvalid:
            raise sqlite3.DatabaseError(NO_TEXT) from None
        return texts
