# The focus curve above, what the points are off it below.
best_color = "#00694E"
interval_color = "#A9DBCB"
zone_color = "#DCEFE8"
other_curve_color = "#999999"
set dashtype 11 (9,5)
set dashtype 12 (3,4)
set dashtype 13 (12,4,3,4)

set multiplot
set rmargin at screen 0.965
set xrange [x_low:x_high]
set label 1 title_words at screen 0.085,0.957 left noenhanced font font_20 textcolor rgb ink
set label 2 subtitle_words at screen 0.085,0.913 left noenhanced font font_13 textcolor rgb pale_ink
if (strlen(reason_words) > 0) {
  set label 3 reason_words at screen 0.085,(strlen(subtitle_words) > 0 ? 0.884 : 0.913) left noenhanced font font_12 textcolor rgb reason_color
}
set tmargin at screen (strlen(reason_words) > 0 ? 0.845 : 0.88)
set bmargin at screen (has_chosen ? 0.385 : 0.165)

if (has_points) {
  set yrange [y_low:y_high]
  set format y "%.10g"
  if (has_chosen) {
    set format x ""
  } else {
    set format x "%.10g"
    set xlabel "focuser position [steps]" textcolor rgb ink
  }
  set ylabel size_words offset 0.5,0 textcolor rgb ink
  # Bands lie behind both panels.
  if (has_zone) {
    set object 1 rectangle from first zone_low,graph 0 to first zone_high,graph 1 behind fillstyle solid noborder fillcolor rgb zone_color
  }
  if (has_interval) {
    set object 2 rectangle from first interval_low,graph 0 to first interval_high,graph 1 behind fillstyle solid noborder fillcolor rgb interval_color
  }
  if (has_best) {
    set arrow 1 from first best,graph 0 to first best,graph 1 nohead back linewidth 1.5 linecolor rgb best_color
  }
  do for [i=1:labels] {
    if (label_left[i]) {
      set label 9+i label_words[i] at first label_x[i],first label_y[i] right offset character -1.2,label_lift[i] noenhanced front font font_11 textcolor rgb rejected_color
    } else {
      set label 9+i label_words[i] at first label_x[i],first label_y[i] left offset character 1.2,label_lift[i] noenhanced front font font_11 textcolor rgb rejected_color
    }
  }
  set key at screen 0.525,screen 0.015 center bottom horizontal maxcols 4 Left reverse samplen 2.2 spacing 1.2 width 1 nobox noenhanced font font_11 textcolor rgb ink
  used_style = "points pointtype 7 pointsize 1.1 linecolor rgb point_color"
  rejected_style = "points pointtype 2 pointsize 1.3 linewidth 1.6 linecolor rgb rejected_color"
  off_style = "points pointtype 8 pointsize 1.7 linewidth 1.6 linecolor rgb rejected_color"
  chosen_style = "lines linewidth 2.2 linecolor rgb curve_color"
  other_style = "lines linewidth 1.3 dashtype 11+(i-1)%3 linecolor rgb other_curve_color"
  used_words = has_bars ? "measured, ± one sigma" : "measured"
  # Points are drawn over lines, the chosen curve over the others.
  drawn = "NaN notitle"
  drawn = drawn . part(others, "for [i=1:others] '$other'.i using 1:2 with " . other_style . " notitle")
  drawn = drawn . part(draws_chosen, "$chosen using 1:2 with " . chosen_style . " notitle")
  drawn = drawn . part(has_bars, "$bars using 1:2:3 with yerrorbars pointtype 0 linewidth 1.6 linecolor rgb point_color notitle")
  drawn = drawn . part(has_used, "$used using 1:2 with " . used_style . " notitle")
  drawn = drawn . part(has_rejected, "$rejected using 1:2 with " . rejected_style . " notitle")
  drawn = drawn . part(has_off, "$off using 1:2 with " . off_style . " notitle")
  # The key names the measurements first, then the curves, then the bands.
  named = part(has_used, "keyentry with " . used_style . " title used_words")
  named = named . part(has_rejected, "keyentry with " . rejected_style . " title 'not used'")
  named = named . part(has_off, "keyentry with " . off_style . " title 'not used, off scale'")
  named = named . part(draws_chosen, "keyentry with " . chosen_style . " title chosen_words")
  named = named . part(others, "for [i=1:others] keyentry with " . other_style . " title other_words[i]")
  named = named . part(has_best, "keyentry with lines linewidth 1.5 linecolor rgb best_color title 'best focus'")
  named = named . part(names_interval, "keyentry with boxes fillstyle solid noborder fillcolor rgb interval_color title '95 % interval'")
  named = named . part(names_zone, "keyentry with boxes fillstyle solid noborder fillcolor rgb zone_color title 'critical focus zone'")
  eval "plot " . drawn . named
} else {
  unset grid
  unset tics
  unset border
  unset key
  set label 4 "no point has a size" at graph 0.5,graph 0.5 center font font_16 textcolor rgb pale_ink
  set yrange [0:1]
  plot NaN notitle
}

if (has_chosen) {
  unset label
  set tmargin at screen 0.345
  set bmargin at screen 0.165
  unset key
  set format x "%.10g"
  set format y "%.10g"
  set xlabel "focuser position [steps]" textcolor rgb ink
  set ylabel "off curve [px]" offset 0.5,0 textcolor rgb ink
  set yrange [-1.25*largest_residual:1.25*largest_residual]
  set ytics residual_tics
  drawn = "0 with lines linewidth 1.4 linecolor rgb curve_color notitle"
  drawn = drawn . part(has_bars, "$residual_bars using 1:2:3 with yerrorbars pointtype 0 linewidth 1.6 linecolor rgb point_color notitle")
  drawn = drawn . ", $residual using 1:2 with points pointtype 7 pointsize 0.9 linecolor rgb point_color notitle"
  eval "plot " . drawn
}
unset multiplot
