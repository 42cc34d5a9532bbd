# Best focus against temperature: the line with the band of single runs, the runs by filter.
band_color = "#F6E3D6"
filter_mark(filter) = int(word("7 5 9", (filter - 1) / 6 % 3 + 1))

set rmargin at screen 0.965
set label 1 title_words at screen 0.085,0.957 left noenhanced font font_20 textcolor rgb ink
set label 2 subtitle_words at screen 0.085,0.913 left noenhanced font font_13 textcolor rgb pale_ink
if (strlen(reason_words) > 0) {
  set label 3 reason_words at screen 0.085,0.884 left noenhanced font font_12 textcolor rgb reason_color
}
set tmargin at screen (strlen(reason_words) > 0 ? 0.845 : 0.88)
set bmargin at screen 0.165

if (has_points) {
  set xrange [x_low:x_high]
  set yrange [y_low:y_high]
  set format x "%.10g"
  set format y "%.10g"
  set xlabel temperature_words textcolor rgb ink
  set ylabel "best focus [steps]" offset 0.5,0 textcolor rgb ink
  set key at screen 0.525,screen 0.015 center bottom horizontal maxcols 5 Left reverse samplen 2.2 spacing 1.2 width 1 nobox noenhanced font font_11 textcolor rgb ink
  drawn = "NaN notitle"
  drawn = drawn . part(has_line, "$band using 1:3:4 with filledcurves fillstyle solid fillcolor rgb band_color title '95 % of single runs'")
  drawn = drawn . part(has_line, "$band using 1:2 with lines linewidth 2.2 linecolor rgb curve_color title 'line'")
  # The bars of a filter lie under its points and over those of the filter before.
  do for [g=1:groups] {
    drawn = drawn . part(group_bars[g], sprintf("$bars%d using 1:2:3 with yerrorbars pointtype 0 linewidth 1.4 linecolor rgb filter_color(%d) notitle", g, g))
    drawn = drawn . part(group_points[g], sprintf("$used%d using 1:2 with points pointtype %d pointsize 1.1 linecolor rgb filter_color(%d) title group_words[%d]", g, filter_mark(g), g, g))
  }
  drawn = drawn . part(has_rejected, "$rejected using 1:2 with points pointtype 2 pointsize 1.3 linewidth 1.6 linecolor rgb rejected_color title 'not used'")
  drawn = drawn . part(has_off, "$off using 1:2 with points pointtype 8 pointsize 1.7 linewidth 1.6 linecolor rgb rejected_color title 'not used, off scale'")
  eval "plot " . drawn
} else {
  unset grid
  unset tics
  unset border
  unset key
  set label 4 "no run has a temperature" at graph 0.5,graph 0.5 center font font_16 textcolor rgb pale_ink
  set xrange [0:1]
  set yrange [0:1]
  plot NaN notitle
}
