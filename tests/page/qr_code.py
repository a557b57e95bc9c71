"""A small reader of QR codes as a terminal shows them, independent of what draws them.

From ISO/IEC 18004: three corners with their timing lines, format bits with their own check, mask,
zigzag of the bytes, check bytes of each block, and the text itself. Versions 1 to 4, bytes only.
"""

import re

INK = {"█": (1, 1), "▀": (1, 0), "▄": (0, 1), " ": (0, 0)}  # upper and lower half: what is lit
QUIET = 4  # modules around it that are lit
LEVELS = "MLHQ"  # by the first two of the format bits
BLOCKS = {  # by version and level: how many blocks, the bytes of each and those of them for data
    (1, "L"): (1, 26, 19), (1, "M"): (1, 26, 16), (1, "Q"): (1, 26, 13), (1, "H"): (1, 26, 9),
    (2, "L"): (1, 44, 34), (2, "M"): (1, 44, 28), (2, "Q"): (1, 44, 22), (2, "H"): (1, 44, 16),
    (3, "L"): (1, 70, 55), (3, "M"): (1, 70, 44), (3, "Q"): (2, 35, 17), (3, "H"): (2, 35, 13),
    (4, "L"): (1, 100, 80), (4, "M"): (2, 50, 32), (4, "Q"): (2, 50, 24), (4, "H"): (4, 25, 9),
}  # fmt: skip
MASKS = (
    lambda i, j: (i + j) % 2 == 0,
    lambda i, j: i % 2 == 0,
    lambda i, j: j % 3 == 0,
    lambda i, j: (i + j) % 3 == 0,
    lambda i, j: (i // 2 + j // 3) % 2 == 0,
    lambda i, j: i * j % 2 + i * j % 3 == 0,
    lambda i, j: (i * j % 2 + i * j % 3) % 2 == 0,
    lambda i, j: ((i + j) % 2 + i * j % 3) % 2 == 0,
)
Dark = list[list[bool]]


def read_from_terminal(shown: str) -> str:
    """Return the text of the one code that a terminal shows, its colours set or not."""
    plain = re.sub(r"\x1b\[[0-9;]*m", "", shown)
    lines = [line for line in plain.splitlines() if line.strip() and set(line) <= set(INK)]
    halves = [[[not INK[ink][half] for ink in line] for half in (0, 1)] for line in lines]
    rows = [row for pair in halves for row in pair]
    size = len(rows[0])
    edge = [*rows[:QUIET], *rows[size - QUIET : size]]
    assert not any(map(any, edge)), "the quiet zone is not quiet"
    return read([row[QUIET:-QUIET] for row in rows[QUIET : size - QUIET]])


def read(dark: Dark) -> str:
    """Return the text of a code by its dark modules, row by row."""
    size = len(dark)
    version = (size - 17) // 4
    assert {len(row) for row in dark} == {17 + 4 * version}
    _check_corners(dark)
    level, mask = _format(dark)
    blocks, whole, of_data = BLOCKS[version, level]
    bits = [
        dark[i][j] ^ MASKS[mask](i, j) for i, j in _zigzag(size) if not _fixed(i, j, size, version)
    ]
    found = [_number(bits[at : at + 8]) for at in range(0, blocks * whole * 8, 8)]
    data, check = found[: blocks * of_data], found[blocks * of_data :]
    said: list[int] = []
    for at in range(blocks):
        block = data[at::blocks] + check[at::blocks]
        assert not any(_syndromes(block, whole - of_data)), "a block does not check"
        said += block[:of_data]
    stream = [bool(byte >> place & 1) for byte in said for place in range(7, -1, -1)]
    assert _number(stream[:4]) == 4, "only bytes are read"
    n = _number(stream[4:12])
    return bytes(_number(stream[12 + 8 * at : 20 + 8 * at]) for at in range(n)).decode("ascii")


def _number(bits: list[bool]) -> int:
    return sum(bit << place for place, bit in enumerate(reversed(bits)))


def _check_corners(dark: Dark) -> None:
    size = len(dark)
    for top, left in ((0, 0), (0, size - 7), (size - 7, 0)):
        for i in range(7):
            for j in range(7):
                ring = max(abs(i - 3), abs(j - 3))
                assert dark[top + i][left + j] == (ring != 2), "a corner is not whole"
    for at in range(8, size - 8):
        assert dark[6][at] == dark[at][6] == (at % 2 == 0), "a timing line is not whole"


# Both copies of the format bits, of which ten check the other five by a division.
def _format(dark: Dark) -> tuple[str, int]:
    size = len(dark)
    first = [(8, j) for j in (0, 1, 2, 3, 4, 5, 7, 8)] + [(i, 8) for i in (7, 5, 4, 3, 2, 1, 0)]
    second = [(size - 1 - at, 8) for at in range(7)] + [(8, size - 8 + at) for at in range(8)]
    said = {
        _number([dark[i][j] for i, j in places]) ^ 0b101010000010010 for places in (first, second)
    }
    assert len(said) == 1, "the two copies of the format bits differ"
    (bits,) = said
    rest = bits
    for place in range(14, 9, -1):
        if rest >> place & 1:
            rest ^= 0b10100110111 << (place - 10)
    assert rest == 0, "the format bits do not check"
    return LEVELS[bits >> 13], bits >> 10 & 7


def _fixed(i: int, j: int, size: int, version: int) -> bool:
    corner = (i < 9 and (j < 9 or j >= size - 8)) or (i >= size - 8 and j < 9)
    near = version > 1 and abs(i - (size - 7)) <= 2 and abs(j - (size - 7)) <= 2
    return corner or near or 6 in (i, j)


def _zigzag(size: int) -> list[tuple[int, int]]:
    places, up = [], True
    for right in [*range(size - 1, 6, -2), *range(5, 0, -2)]:
        rows = range(size - 1, -1, -1) if up else range(size)
        places += [(i, j) for i in rows for j in (right, right - 1)]
        up = not up
    return places


# The block as a polynomial over the field of 256 is 0 at the first powers of 2.
def _syndromes(block: list[int], n: int) -> list[int]:
    power, found = 1, []
    for _ in range(n):
        value = 0
        for byte in block:
            value = _times(value, power) ^ byte
        found.append(value)
        power = _times(power, 2)
    return found


def _times(one: int, other: int) -> int:
    product = 0
    while other:
        product ^= one * (other & 1)
        one, other = one << 1, other >> 1
        one ^= 0x11D * (one >> 8)
    return product
