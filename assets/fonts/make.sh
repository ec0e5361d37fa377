#!/bin/sh
# Makes the font that charts are measured and drawn with, from Debian's
# fonts-dejavu-core 2.37. Needs fonttools (4.68 was used): pip install fonttools
# Usage: sh make.sh DejaVuSans.ttf
# Latin with extensions, Greek, Cyrillic, punctuation, sub- and superscripts,
# currency, letterlike, number forms, arrows, mathematics, shapes, music signs.
set -eu
exec fonttools subset "$1" \
    --output-file=twinload-sans.ttf \
    --unicodes=U+0020-007E,U+00A0-024F,U+0259,U+02B0-02FF,U+0300-036F,U+0370-03FF,U+0400-052F,U+1E00-1EFF,U+2000-206F,U+2070-209F,U+20A0-20BF,U+2100-214F,U+2150-218F,U+2190-21FF,U+2200-22FF,U+2300-23FF,U+2500-25FF,U+2600-266F,U+2713-2718,U+FFFD \
    --layout-features=kern,mark,mkmk,ccmp \
    --no-hinting --desubroutinize --name-IDs=0,1,2,3,4,5,6 --notdef-outline
