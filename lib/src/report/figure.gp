# What all figures begin with. Before it stand the variables, lists and blocks of the figure; `png`
# is 1 for a PNG and 0 for an SVG, 1280 by 960 at 96 dpi. Fonts by fontconfig, which takes the
# nearest where DejaVu Sans is missing; the SVG terminal counts them in pixels, not in points.
if (png) {
  set terminal pngcairo noenhanced size 1280,960 font "DejaVu Sans,13" linewidth 1.5 rounded background rgb 'white'
} else {
  set terminal svg noenhanced size 1280,960 dynamic font "DejaVu Sans,17" linewidth 1.5 rounded background rgb 'white'
}
points(size) = sprintf(",%d", png ? size : size * 4 / 3)
font_10 = points(10)
font_11 = points(11)
font_12 = points(12)
font_13 = points(13)
font_16 = points(16)
font_20 = points(20)

# Okabe and Ito's palette, which the colour-blind can distinguish (from memory), and greys.
point_color = "#0072B2"
curve_color = "#D55E00"
rejected_color = "#7A7A7A"
reason_color = "#9A3B00"
ink = "#333333"
pale_ink = "#666666"
# More filters than colours begin anew.
filter_color(filter) = word("#0072B2 #009E73 #CC79A7 #E69F00 #56B4E9 #000000", (filter - 1) % 6 + 1)

# A plot command is put together from parts, as one that plots nothing still takes room in the key.
part(is_there, words) = is_there ? ", " . words : ""

set encoding utf8
set minussign
set termoption noenhanced
# Error bars without caps: one that is smaller than its marker lies hidden under it.
set errorbars 0
set border 3 lw 1 lc rgb ink
set tics nomirror out scale 0.6 textcolor rgb ink
set grid ytics linecolor rgb '#E3E3E3' linewidth 0.6
set lmargin at screen 0.085
