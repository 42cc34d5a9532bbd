# A night's timeline: star sizes on top, below them what else each frame shows.
set multiplot
set rmargin at screen 0.975
set label 1 title_words at screen 0.085,0.965 left noenhanced font font_20 textcolor rgb ink
set label 2 rule_words at screen 0.085,0.93 left noenhanced font font_12 textcolor rgb pale_ink
if (clock) {
  set xdata time
  set timefmt "%s"
}
set xrange [x_low:x_high]
do for [i=1:periods] {
  set object i rectangle from first period_from[i],graph 0 to first period_to[i],graph 1 behind fillstyle solid 1 noborder fillcolor rgb period_color[i]
}
do for [i=1:moves] {
  set arrow from first move_x[i],graph 0 to first move_x[i],graph 1 nohead back dashtype 3 linewidth 1 linecolor rgb '#888888'
}

do for [p=1:panels] {
  set tmargin at screen panel_top[p]
  set bmargin at screen panel_bottom[p]
  set yrange [panel_low[p]:panel_high[p]]
  set ylabel panel_words[p] offset 0.5,0 font font_11 textcolor rgb ink
  if (p == panels) {
    if (clock) {
      set format x "%H:%M"
      set xlabel "UTC"
    } else {
      set format x "%g"
      set xlabel "frame"
    }
  } else {
    set format x ""
    unset xlabel
  }
  if (p == 1) {
    set ytics autofreq
    set key at screen 0.975,screen 0.888 right bottom horizontal maxcols 8 Left reverse samplen 1.5 spacing 1.1 width 1 nobox noenhanced font font_11 textcolor rgb ink
    do for [i=1:periods] {
      set label 9+i period_words[i] at first period_words_x[i],graph period_words_y[i] left noenhanced font font_10 textcolor rgb '#444444'
    }
  } else {
    set ytics panel_tics[p]
    unset key
    unset label
  }
  if (panel_block[p] eq "size") {
    best_style = "lines linewidth 1 dashtype 2 linecolor rgb filter_color(f)"
    drawn = "for [f=1:filters] '$size'.f using 1:2 with points pointtype 7 pointsize 0.8 linecolor rgb filter_color(f) title filter_words[f]"
    drawn = drawn . ", for [f=1:1] '$best'.f using 1:2 with " . best_style . " title 'best reachable'"
    drawn = drawn . part(filters > 1, "for [f=2:filters] '$best'.f using 1:2 with " . best_style . " notitle")
    eval "plot " . drawn
  } else {
    plot '$'.panel_block[p] using 1:2 with linespoints pointtype 7 pointsize 0.45 linewidth 0.7 linecolor rgb '#555555' notitle
  }
}
unset multiplot
