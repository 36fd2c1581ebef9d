"""SVG pictures in fewer bytes: a page carries many, and stays below what a mail takes."""

import re

PATH = re.compile(rb' d="([^"]*)"')
PLACE = re.compile(rb' (?:x|y|transform)="[^"]*"')
# A hundredth of a point, which nobody sees, in outlines; a little finer where text is placed.
PATH_DIGITS, PLACE_DIGITS = re.compile(rb"(\.\d\d)\d+"), re.compile(rb"(\.\d{4})\d+")
COMMAND = re.compile(rb"\s*([MLQCz])\s*([^MLQCz]*)")


def shortened(svg: bytes) -> bytes:
    """
    Return a picture with shorter numbers and shorter words for level and upright lines, of which stairs are made.

    Parameters
    ----------
    svg : bytes
        An SVG file as Matplotlib writes it, with absolute commands in its paths.

    Returns
    -------
    bytes
        The same picture to a hundredth of a point.
    """
    svg = PLACE.sub(lambda found: PLACE_DIGITS.sub(rb"\1", found[0]), svg)
    return PATH.sub(lambda found: b' d="' + _path(found[1]) + b'"', svg)


def _path(data: bytes) -> bytes:
    words: list[bytes] = []
    at: list[bytes] = []
    for command, numbers in COMMAND.findall(PATH_DIGITS.sub(rb"\1", data)):
        to = numbers.split()
        if command != b"L":
            words.append(command + b" ".join(to))
        elif to[0] == at[0] and to[1] == at[1]:
            continue  # the line ends where it began
        elif to[1] == at[1]:
            words.append(b"H" + to[0])
        elif to[0] == at[0]:
            words.append(b"V" + to[1])
        else:
            words.append(b"L" + b" ".join(to))
        at = to[-2:] if to else at
    return b"".join(words)
