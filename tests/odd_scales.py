"""Odd but plausible line shapes of our own, written as what a scale would send at one moment.

Owns the shapes. Who uses the scale and what is made of its bytes is known elsewhere. None is any
shipped shape; each is composed here from what scales are known to do, one by one or together.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from functools import reduce

from tools.scale_shapes import Moment, Shape

Render = Callable[[Moment], bytes]
SHAPES: dict[str, Shape] = {}
"""Every odd shape by its name."""


def odd(
    decimals: int = 2,
    *,
    overload: bool = True,
    most: int = 45000,
    step: int = 1,
    says: Callable[[Moment], str] | None = None,
) -> Callable[[Render], Render]:
    """Keep this shape. `overload`: its lines tell a load that is too much."""

    def keep(render: Render) -> Render:
        name = render.__name__.replace("_", "-")
        SHAPES[name] = Shape(decimals, "g", render, [name], overload, most, step, says)
        return render

    return keep


def plain(size: int, decimals: int = 2, point: str = ".") -> str:
    """A size with its point in."""
    text = f"{size:0{decimals + 1}d}"
    return text[: len(text) - decimals] + point + text[len(text) - decimals :]


def text(moment: Moment, point: str = ".") -> str:
    """The signed weight."""
    return ("-" if moment.weight < 0 else "") + plain(abs(moment.weight), 2, point)


def xor(data: bytes) -> int:
    """All bytes together, bit by bit."""
    return reduce(lambda a, b: a ^ b, data, 0)


def summed(data: bytes) -> bytes:
    """With the low byte of the sum behind it."""
    return data + bytes([sum(data) & 0xFF])


def status(m: Moment, *, minus: bool = True) -> int:
    """Bits: stable, net, minus, too much."""
    rests = m.still and not m.over
    return rests | m.net << 1 | (minus and m.weight < 0) << 2 | m.over << 3


def kilograms(m: Moment) -> str:
    """The weight in kilograms, five decimals."""
    return f"{'-' if m.weight < 0 else ''}{plain(abs(m.weight), 5)}"


def thousandths(m: Moment) -> str:
    """The weight with a third decimal that the display rounds."""
    fine = m.weight * 10 + m.number // 40 * 7 % 9 - 4
    return f"{'-' if fine < 0 else ''}{plain(abs(fine), 3)}"


# -- bytes -------------------------------------------------------------------------------------


@odd()
def float_low_first(m: Moment) -> bytes:
    return summed(b"\xa5\x5a" + bytes([status(m, minus=False)]) + struct.pack("<f", m.weight / 100))


@odd()
def float_high_first(m: Moment) -> bytes:
    return summed(b"\x7e" + struct.pack(">f", m.weight / 100) + bytes([0x40 | status(m)]))


@odd()
def packed_digits_sign_nibble_behind(m: Moment) -> bytes:
    sign = "d" if m.weight < 0 else "c"
    return (
        b"\x02" + bytes([0x20 | status(m)]) + bytes.fromhex(f"{abs(m.weight):07d}{sign}") + b"\x03"
    )


@odd()
def packed_digits_nibbles_turned(m: Moment) -> bytes:
    turned = "".join(a + b for b, a in zip(*[iter(f"{abs(m.weight):06d}")] * 2, strict=True))
    return summed(b"\xf0\x0f" + bytes([status(m)]) + bytes.fromhex(turned))


@odd()
def packed_digits_behind_ff(m: Moment) -> bytes:
    """A point's place, marks and a unit in two status bytes, then the digits low first."""
    raw = bytes.fromhex(f"{abs(m.weight):06d}")[::-1]
    marks = 0x02 | m.still << 4 | (m.weight < 0) << 5 | m.over << 7
    return b"\xff" + bytes([marks, 0x01 | m.net << 4]) + raw


@odd()
def two_complement_24_with_exponent(m: Moment) -> bytes:
    body = bytes([0x31, status(m, minus=False), 0xFE]) + m.weight.to_bytes(3, "big", signed=True)
    return b"\xaa" + body + bytes([xor(body)])


@odd()
def offset_binary(m: Moment) -> bytes:
    return summed(
        b"\xc3\x3c" + bytes([status(m, minus=False)]) + (m.weight + 0x800000).to_bytes(3, "big")
    )


@odd(most=8000)
def sign_in_top_bit(m: Moment) -> bytes:
    whole = abs(m.weight) | (0x8000 if m.weight < 0 else 0)
    return summed(b"\xe1\x1e" + bytes([status(m, minus=False)]) + whole.to_bytes(2, "big"))


@odd(decimals=1, step=5, most=9000)
def divisions_of_five(m: Moment) -> bytes:
    """Whole steps of five of the last digit, in two bytes."""
    body = b"\xab\xcd" + (m.weight // 5).to_bytes(2, "little", signed=True)
    return summed(body + bytes([status(m, minus=False)]))


@odd()
def weight_and_its_opposite(m: Moment) -> bytes:
    raw = m.weight.to_bytes(3, "little", signed=True)
    return b"\x99" + raw + bytes(0xFF ^ code for code in raw) + bytes([0x60 | status(m)])


@odd()
def seven_segments_point_in_digit(m: Moment) -> bytes:
    """What the lamps of the display show; bit 7 is the point beside a digit."""
    lamps = (0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F)
    digits = f"{abs(m.weight):06d}"
    shown = [lamps[int(d)] | (0x80 if n == 3 else 0) for n, d in enumerate(digits)]
    return b"\x16\x16" + bytes([0x40 | status(m)]) + bytes(shown) + b"\x0d"


@odd()
def sixteen_bit_words_crc(m: Moment) -> bytes:
    body = b"\x01\x03\x06" + struct.pack(">Hi", status(m, minus=False), m.weight)
    crc = 0xFFFF
    for code in body:
        crc ^= code
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return body + crc.to_bytes(2, "little")


# -- text --------------------------------------------------------------------------------------


@odd(overload=False)
def digits_low_first_behind_equals(m: Moment) -> bytes:
    sign = "-" if m.weight < 0 else "0"
    return b"=" + (sign + plain(abs(m.weight)).zfill(7))[::-1].encode()


@odd()
def lrc_behind_etx(m: Moment) -> bytes:
    state = b"O" if m.over else b"S" if m.still else b"D"
    body = state + b"%8s" % text(m).encode() + (b"N" if m.net else b"G") + b"\x03"
    return b"\x02" + body + bytes([xor(body)])


@odd()
def record_of_four_lines(m: Moment) -> bytes:
    gross = m.weight + m.tare
    rows = [b"G %9s g" % text(Moment(gross)).encode(), b"T %9s g" % plain(m.tare).encode()]
    rows += [
        b"N %9s g" % text(m).encode(),
        b"  OVER" if m.over else b"  STILL" if m.still else b"  MOVES",
    ]
    return b"\r\n".join(rows) + b"\r\n\r\n"


@odd()
def comma_and_sign_behind(m: Moment) -> bytes:
    size = plain(abs(m.weight), 2, ",").rjust(9)
    state = "!" if m.over else " " if m.still else "~"
    return f"{state}{size}{'-' if m.weight < 0 else ' '} g\r\n".encode()


@odd(overload=False)
def state_letter_behind(m: Moment) -> bytes:
    return f"{text(m):>9}{'s' if m.still else 'd'}{'n' if m.net else 'g'}\r".encode()


@odd()
def unit_only_at_rest(m: Moment) -> bytes:
    if m.over:
        return b"  ------    \r\n"
    return f"{text(m):>10} {'g' if m.still else ' '}\r\n".encode()


@odd(overload=False)
def pieces_and_weight(m: Moment) -> bytes:
    pieces = max(0, m.weight) // 137
    return f"{'S' if m.still else 'U'} {pieces:5d} pcs {text(m):>9} g\r\n".encode()


@odd()
def parity_left_in(m: Moment) -> bytes:
    state = "OL" if m.over else "ST" if m.still else "US"
    line = f"{state} {text(m):>9} g {'NT' if m.net else 'GS'}\r\n".encode()
    return bytes(code | (code.bit_count() & 1) << 7 for code in line)


@odd()
def seventeen_bytes_without_end(m: Moment) -> bytes:
    state = "O" if m.over else "S" if m.still else "M"
    return f"W{state}{text(m):>10}{'N' if m.net else 'B'}  g:".encode()


@odd()
def unit_in_words(m: Moment) -> bytes:
    if m.over:
        return b"too heavy\n"
    state, kind = "stable" if m.still else "moving", "net" if m.net else "gross"
    return f"{state} {text(m)} grams {kind}\n".encode()


@odd(overload=False)
def blanks_behind_the_sign(m: Moment) -> bytes:
    sign = "-" if m.weight < 0 else "+"
    return f"{sign}{plain(abs(m.weight)):>9} g {'*' if m.still else ' '}\r\n".encode()


@odd()
def stamped_with_the_time(m: Moment) -> bytes:
    at = m.number // 5
    clock = f"2026-03-{17:02d} {9 + at // 3600:02d}:{at // 60 % 60:02d}:{at % 60:02d}"
    state = "O" if m.over else "S" if m.still else "M"
    return f"{clock};{state};{text(m)};g;{'N' if m.net else 'G'}\r\n".encode()


@odd()
def screen_drawn_anew(m: Moment) -> bytes:
    """For a terminal: the cursor sent home, the weight bold."""
    word = "OVER " if m.over else "     " if m.still else "WAIT "
    return (
        f"\x1b[1;1H\x1b[1m{text(m):>9} g\x1b[0m\x1b[2;1H{word}{'NET' if m.net else '   '}".encode()
    )


@odd()
def quoted_and_semicolons(m: Moment) -> bytes:
    state = 2 if m.over else 0 if m.still else 1
    return f'"{m.number % 10000:04d}";"{text(m, ",")}";"g";"{state}";"{int(m.net)}"\r\n'.encode()


@odd()
def braces_and_names(m: Moment) -> bytes:
    state = "over" if m.over else "rest" if m.still else "move"
    return f'{{"w":{text(m)},"u":"g","s":"{state}","n":{int(m.net)}}}\n'.encode()


@odd()
def names_and_equals(m: Moment) -> bytes:
    state = 3 if m.over else 1 if m.still else 0
    return f"W={'' if m.weight < 0 else '+'}{text(m)};S={state};T={plain(m.tare)}\r".encode()


@odd()
def hex_two_complement(m: Moment) -> bytes:
    return f"@{status(m, minus=False):X}{m.weight & 0xFFFFFF:06X}\r".encode()


@odd()
def point_place_behind(m: Moment) -> bytes:
    state = "O" if m.over else "A" if m.still else "B"
    return f"{state}{'-' if m.weight < 0 else '+'}{abs(m.weight):06d}2g\r\n".encode()


@odd()
def other_lines_between(m: Moment) -> bytes:
    """Now and then the temperature and the battery."""
    more = (
        f"T {21 + m.number % 3}.{m.number % 10} C\r\nB {97 - m.number // 20} %\r\n"
        if m.number % 9 == 4
        else ""
    )
    state = "OL" if m.over else "==" if m.still else "~~"
    return f"{state} {text(m):>8} g\r\n{more}".encode()


@odd()
def power_of_ten(m: Moment) -> bytes:
    sign, size = "-" if m.weight < 0 else "+", abs(m.weight)
    digits = f"{size:05d}"
    state = "H" if m.over else "S" if m.still else "D"
    return f"{sign}{digits[0]}.{digits[1:]}E+02 {state}\r\n".encode()


@odd(overload=False)
def blanks_between_digits(m: Moment) -> bytes:
    spaced = " ".join(f"{text(m):>8}")
    return f"{spaced} g {'S' if m.still else ' '}\r\n".encode()


@odd()
def sign_as_a_letter(m: Moment) -> bytes:
    state = "9" if m.over else "0" if m.still else "1"
    sign, kind = "M" if m.weight < 0 else "P", "N" if m.net else "B"
    return f"{sign}{abs(m.weight):07d}{state}{kind}\x03".encode()


@odd(says=thousandths)
def more_decimals_than_shown(m: Moment) -> bytes:
    """The line is finer than the display, which rounds."""
    state = "H" if m.over else "S" if m.still else "M"
    return f"{state}{thousandths(m):>10} g\r\n".encode()


@odd(says=kilograms, most=250000)
def kilograms_while_grams_are_shown(m: Moment) -> bytes:
    state = "H" if m.over else "S" if m.still else "M"
    return f"{state},{'' if m.weight < 0 else '+'}{kilograms(m)},kg\r\n".encode()


@odd(says=kilograms)
def kilograms_without_a_word(m: Moment) -> bytes:
    return f"{'H' if m.over else 'S' if m.still else 'M'}{kilograms(m):>12}\r".encode()


@odd(overload=False)
def twice_in_one_line(m: Moment) -> bytes:
    return f"{text(m):>9}|{text(m):>9}|{'R' if m.still else ' '}\r\n".encode()


@odd()
def check_in_two_digits(m: Moment) -> bytes:
    state = "O" if m.over else "S" if m.still else "M"
    body = f"${state}{text(m):>9}{'N' if m.net else 'G'}"
    return f"{body}{sum(body.encode()) % 100:02d}\r\n".encode()


@odd(decimals=2)
def thousands_apart(m: Moment) -> bytes:
    size = f"{abs(m.weight) // 100:,}.{abs(m.weight) % 100:02d}".replace(",", "'")
    return f"{'S' if m.still else '?'} {('-' if m.weight < 0 else '') + size:>11} g\r\n".encode()


@odd()
def letters_for_digits(m: Moment) -> bytes:
    coded = "".join(chr(0x6A + int(d)) for d in f"{abs(m.weight):06d}")
    state = "!" if m.over else "." if m.still else ":"
    return f"<{coded}{'-' if m.weight < 0 else '+'}{state}>".encode()


# -- odder ones ----------------------------------------------------------------------------------


@odd(overload=False)
def letter_case_tells_rest(m: Moment) -> bytes:
    return f"{text(m):>10}{'G' if m.still else 'g'}{'*' if m.net else ' '}\n\r".encode()


@odd(overload=False)
def last_digit_hidden_while_moving(m: Moment) -> bytes:
    shown = text(m)
    return f"#{shown if m.still else shown[:-1] + '_':>9} g#\r\n".encode()


@odd(overload=False)
def bookkeepers_sign(m: Moment) -> bytes:
    sign = "CR" if m.weight < 0 else "  "
    return f"{'=' if m.still else '~'}{plain(abs(m.weight)):>9}{sign}\r\n".encode()


@odd(overload=False)
def two_pans_in_turn(m: Moment) -> bytes:
    other = plain(1234 + (m.number * 37) % 800)
    return f"A{'s' if m.still else 'm'}{text(m):>9}\r\nBs{other:>9}\r\n".encode()


@odd()
def length_first_and_hex_check(m: Moment) -> bytes:
    state = "O" if m.over else "S" if m.still else "D"
    body = f"{state}{text(m)}{'n' if m.net else 'g'}"
    line = f"{len(body):02d}{body}".encode()
    return b"\x02" + line + f"{xor(line):02x}".encode() + b"\x03"


@odd()
def temperature_beside_it(m: Moment) -> bytes:
    state = '"over"' if m.over else "true" if m.still else "false"
    warm = 215 + m.number // 9 % 3
    return f'{{"temp":{warm / 10},"weight":{text(m)},"stable":{state}}}\r\n'.encode()


@odd(overload=False)
def bytes_stuffed(m: Moment) -> bytes:
    body = bytes([status(m, minus=False)]) + m.weight.to_bytes(3, "big", signed=True)
    return b"\x10\x02" + body.replace(b"\x10", b"\x10\x10") + b"\x10\x03"


@odd()
def float_in_hex_digits(m: Moment) -> bytes:
    return (
        f":{status(m, minus=False):02X}{struct.pack('>f', m.weight / 100).hex().upper()}\r".encode()
    )


@odd(overload=False, says=lambda m: thousandths(m) + "0")
def counts_finer_than_shown(m: Moment) -> bytes:
    """Counts of a hundredth of the display's last digit."""
    fine = int(thousandths(m).replace(".", "")) * 10
    return summed(
        b"\x5a\xa5" + bytes([status(m, minus=False)]) + fine.to_bytes(4, "little", signed=True)
    )


@odd()
def equals_and_brackets(m: Moment) -> bytes:
    state = "!" if m.over else "" if m.still else "?"
    return f"={text(m)}(g){state}\n".encode()


@odd()
def bits_as_a_letter(m: Moment) -> bytes:
    return bytes([0x40 | status(m)]) + f"{abs(m.weight):06d}\r".encode()


@odd(overload=False)
def printed_block_with_date(m: Moment) -> bytes:
    at = m.number // 5
    block = f"25.11.2026\r\n{10 + at // 3600}:{at // 60 % 60:02d}:{at % 60:02d}\r\n"
    return f"{block}{'N' if m.net else 'G'} {text(m):>9} g\r\n\r\n".encode()


@odd()
def digits_low_first_and_place(m: Moment) -> bytes:
    state = "2" if m.over else "0" if m.still else "1"
    return f"w{f'{abs(m.weight):06d}'[::-1]}2{'-' if m.weight < 0 else '+'}{state}".encode()


@odd(overload=False)
def part_of_capacity_behind(m: Moment) -> bytes:
    return f"{text(m):>9} g {abs(m.weight) / 600:5.1f} % {'S' if m.still else 'D'}\r\n".encode()


@odd(overload=False)
def no_weight_while_moving(m: Moment) -> bytes:
    return f"{text(m):>9} g\r\n".encode() if m.still else b"  ------ g\r\n"


@odd(overload=False)
def three_labels_in_one_line(m: Moment) -> bytes:
    gross = text(Moment(m.weight + m.tare))
    return f"Brutto: {gross} g  Tara: {plain(m.tare)} g  Netto: {text(m)} g\r\n".encode()


@odd()
def star_and_check(m: Moment) -> bytes:
    state = "V" if m.over else "A" if m.still else "M"
    body = f"PWGHT,{text(m)},g,{state},{'N' if m.net else 'G'}"
    return f"${body}*{xor(body.encode()):02X}\r\n".encode()


@odd()
def seven_bits_a_byte(m: Moment) -> bytes:
    """Only a frame's first byte has bit 7; the number is in the low seven bits of the others."""
    size = abs(m.weight)
    return bytes([0x80 | status(m), size >> 14 & 0x7F, size >> 7 & 0x7F, size & 0x7F])


@odd(overload=False)
def two_bytes_a_character(m: Moment) -> bytes:
    line = f"{'S' if m.still else 'M'}{text(m):>9} g\r\n"
    return line.encode("utf-16-le")


@odd()
def lamps_that_are_dark(m: Moment) -> bytes:
    """Segments where 0 is lit, the last digit first, blank before the number, a bar for minus."""
    lamps = (0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F)
    digits = f"{abs(m.weight):03d}"
    codes = [0x40] * (m.weight < 0) + [lamps[int(d)] for d in digits]
    row = [0] * (7 - len(codes)) + codes
    row = [code | 0x80 if n == 4 else code for n, code in enumerate(row)]
    return (
        b"\xfe"
        + bytes(0xFF ^ code for code in reversed(row))
        + bytes([0x20 | status(m, minus=False)])
    )


@odd(overload=False)
def status_lines_in_turn(m: Moment) -> bytes:
    return f"?{'S' if m.still else 'M'}{'N' if m.net else 'G'}\r!{text(m):>9}\r".encode()


@odd(overload=False)
def load_cells_and_sum(m: Moment) -> bytes:
    cells = [m.weight * 3 + 811, m.weight * 4 + 97, m.weight * 2 + 1310]
    raw = ",".join(str(cell + m.number % 3) for cell in cells)
    return f"{raw},{text(m)},{'1' if m.still else '0'}\n".encode()


@odd()
def unit_before_and_check_letter(m: Moment) -> bytes:
    state = "o" if m.over else "s" if m.still else "u"
    body = f"g{text(m):>9}{state}".encode()
    return body + bytes([0x41 + sum(body) % 16]) + b"\r\n"
