"""The receipt: a short code over a set of rolls, to be read out over the phone. The same code means the same records.

How it is made (version 1), so that anyone can make it without this tool:

1. One line per roll: the SHA-256 of its newest record file in lowercase hex (64 times `-` where none can be read), two
   spaces, the roll's folder relative to the folder that holds the `rollproof/` of the handover, a newline. In a
   folder's name `\\` is written `\\\\` and a newline `\\n`, as sha256sum does.
2. The lines in byte order of the folders' names, after a first line `rollproof-receipt/1`.
3. The SHA-256 of that text as one big-endian number, its remainder by 31 to the power of 16, written in base 31 with 16
   digits: the letters of `ALPHABET`, which has no 0 O 1 I L. (79 bits: nobody finds another set with the same code.)
4. Two check digits: the same number's remainder by the prime 953, in base 31. One digit misheard, or two neighbours
   swapped, is always noticed.
5. In groups of four: `K7QM-4XTW-9HRA-PF3D-9Q`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

from rollproof.models.errors import UsageProblem
from rollproof.models.names import inert

ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
_BASE = len(ALPHABET)
_DIGITS = 16
_CHECK_DIGITS = 2
_CHECK_PRIME = 953
_GROUP = 4
_NO_RECORD = "-" * 64

# the spelling alphabet of radio and telephone (ITU Radio Regulations, appendix 14)
_SPELLING = (
    "Alfa Bravo Charlie Delta Echo Foxtrot Golf Hotel India Juliett Kilo Lima Mike November Oscar Papa Quebec Romeo"
    " Sierra Tango Uniform Victor Whiskey X-ray Yankee Zulu"
)
_SPELLED = {word[0]: word for word in _SPELLING.split()}


def receipt_of(rolls: Iterable[tuple[bytes, str | None]]) -> str:
    """The receipt for rolls as (folder, SHA-256 of the newest record in hex or None), in any order.

    ValueError for a folder that comes twice.
    """
    ordered = sorted(rolls)
    if len({folder for folder, _ in ordered}) != len(ordered):
        raise ValueError("a roll's folder comes twice")
    digest = hashlib.sha256(b"rollproof-receipt/1\n")
    for folder, sha256 in ordered:
        escaped = folder.replace(b"\\", b"\\\\").replace(b"\n", b"\\n")
        digest.update((sha256 or _NO_RECORD).encode("ascii") + b"  " + escaped + b"\n")
    number = int.from_bytes(digest.digest(), "big") % _BASE**_DIGITS
    return _grouped(_digits(number, _DIGITS) + _digits(number % _CHECK_PRIME, _CHECK_DIGITS))


def read_receipt(said: str) -> str:
    """A receipt as somebody typed it, in the form `receipt_of` gives. UsageProblem when it was misheard: a wrong
    length, a letter that no receipt has, check digits that do not fit."""
    code = "".join(said.split()).replace("-", "").upper()
    again = "let it be read out again, group by group"
    odd = sorted(set(code) - set(ALPHABET))
    if odd:
        raise UsageProblem(f"no receipt has the letter {inert(odd[0])} in it", hint=f"{again}; there is no 0 O 1 I L")
    if len(code) != _DIGITS + _CHECK_DIGITS:
        raise UsageProblem(
            f"a receipt has {_DIGITS + _CHECK_DIGITS} letters and digits, this has {len(code)}", hint=again
        )
    if _number(code[:_DIGITS]) % _CHECK_PRIME != _number(code[_DIGITS:]):
        raise UsageProblem("the receipt's last two letters do not fit the others: it was misheard", hint=again)
    return _grouped(code)


def spelled(receipt: str) -> list[str]:
    """Each group of a receipt as it is said on the phone: `Kilo 7 Quebec Mike`."""
    return [" ".join(_SPELLED.get(letter, letter) for letter in group) for group in receipt.split("-")]


def _grouped(code: str) -> str:
    return "-".join(code[at : at + _GROUP] for at in range(0, len(code), _GROUP))


def _digits(number: int, count: int) -> str:
    out = ""
    for _ in range(count):
        number, digit = divmod(number, _BASE)
        out = ALPHABET[digit] + out
    return out


def _number(code: str) -> int:
    number = 0
    for letter in code:
        number = number * _BASE + ALPHABET.index(letter)
    return number
