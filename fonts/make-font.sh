#!/bin/sh
# Makes fonts/BlindsteepSans-Regular.otf: one face for charts, printed sheets and pages, Latin and simplified Chinese.
#
# Source:  Debian package fonts-noto-cjk (Noto Sans CJK SC Regular, version below), SIL Open Font License 1.1,
#          copyright 2014-2021 Adobe. It declares no reserved font name; the cut face is renamed all the same,
#          because "Noto" is a trademark and because a cut face must never be mistaken for the whole one.
# Needs:   apt-get install fonts-noto-cjk; pip install fonttools
# Use:     fonts/make-font.sh            (writes beside itself; the same source gives the same bytes)
set -eu

here=$(cd "$(dirname "$0")" && pwd)
source_ttc=${1:-/usr/share/fonts/opentype/noto/NotoSansCJK-Regular.ttc}
out="$here/BlindsteepSans-Regular.otf"

if [ ! -f "$source_ttc" ]; then
    echo "make-font.sh: $source_ttc is not there; install it with: apt-get install fonts-noto-cjk" >&2
    exit 1
fi

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# The characters: what the charts and sheets write themselves, Latin names of people and places
# (with the tone marks of pinyin and Vietnamese), CJK punctuation, and the hanzi of GB 2312.
python3 - "$work/characters.txt" <<'PY'
import sys

keep = set()


def span(first, last):
    keep.update(range(first, last + 1))


span(0x0020, 0x007E)  # Basic Latin
span(0x00A0, 0x00FF)  # Latin-1: é, °, ±, ·, ×, ½ ...
span(0x0100, 0x017F)  # Latin Extended-A
span(0x01CD, 0x01DC)  # pinyin: ǎ ǐ ǒ ǔ ǖ ǘ ǚ ǜ
keep.update([0x01A0, 0x01A1, 0x01AF, 0x01B0])  # ơ ư
span(0x1EA0, 0x1EF9)  # Vietnamese
span(0x0391, 0x03A9)  # Greek: α of Krippendorff, χ², σ
span(0x03B1, 0x03C9)
span(0x2010, 0x2027)  # dashes, quotes, bullet, ellipsis
span(0x2030, 0x203A)  # per mille, primes, guillemets
keep.update([0x2070, *range(0x2074, 0x207A), *range(0x2080, 0x208A)])  # superscripts, subscripts
keep.update([0x20AC, 0x2103, 0x2116, 0x2122])  # euro, degree Celsius, numero, trade mark
span(0x2150, 0x215E)  # fractions
span(0x2160, 0x216B)  # Roman numerals
span(0x2190, 0x2199)  # arrows
span(0x21D0, 0x21D4)
keep.update([0x2206, 0x2208, 0x2211, 0x2212, 0x2215, 0x221A, 0x221E, 0x2229, 0x222A,
             0x2248, 0x2260, 0x2261, 0x2264, 0x2265, 0x22A5])
span(0x2460, 0x2473)  # circled numbers
keep.update([0x25A0, 0x25A1, 0x25B2, 0x25B3, 0x25BC, 0x25BD, 0x25C6, 0x25C7, 0x25CB, 0x25CF,
             0x2605, 0x2606, 0x2610, 0x2611, 0x2612, 0x2713, 0x2717])
span(0x3000, 0x3017)  # CJK punctuation
span(0xFF01, 0xFF5E)  # full-width forms
keep.update([0xFFE5])

for high in range(0xA1, 0xF8):  # GB 2312: rows 1-9 signs, rows 16-87 hanzi
    for low in range(0xA1, 0xFF):
        try:
            keep.add(ord(bytes([high, low]).decode("gb2312")))
        except UnicodeDecodeError:
            pass

with open(sys.argv[1], "w", encoding="utf-8") as f:
    f.write("".join(chr(c) for c in sorted(keep)))
PY

# Face 2 of the collection is the simplified Chinese one. Kerning and mark placement stay; names of glyphs go.
pyftsubset "$source_ttc" --font-number=2 --text-file="$work/characters.txt" \
    --layout-features='kern,mark,mkmk,ccmp' --no-hinting --desubroutinize \
    --name-IDs='0,1,2,3,4,5,6,13,14' --name-languages='0x409' --no-recalc-timestamp \
    --output-file="$work/cut.otf"

# Rename the family everywhere a name is written.
python3 - "$work/cut.otf" "$out" <<'PY'
import sys

from fontTools.ttLib import TTFont

font = TTFont(sys.argv[1], recalcTimestamp=False)
name = font["name"]
version = name.getDebugName(5)
texts = {
    1: "Blindsteep Sans",
    2: "Regular",
    3: "BlindsteepSans-Regular; cut from Noto Sans CJK SC Regular; " + version,
    4: "Blindsteep Sans Regular",
    6: "BlindsteepSans-Regular",
    13: "This Font Software is licensed under the SIL Open Font License, Version 1.1.",
    14: "https://openfontlicense.org",
}
for name_id, text in texts.items():
    name.removeNames(nameID=name_id)
    name.setName(text, name_id, 3, 1, 0x409)
cff = font["CFF "].cff
cff.fontNames[0] = "BlindsteepSans-Regular"
top = cff.topDictIndex[0]
for key, text in (("FamilyName", "Blindsteep Sans"), ("FullName", "Blindsteep Sans Regular")):
    if hasattr(top, key):
        setattr(top, key, text)
font.save(sys.argv[2])
print(f"{sys.argv[2]}: {len(font.getGlyphOrder())} glyphs, {len(font.getBestCmap())} characters, {version}")
PY

ls -l "$out"
