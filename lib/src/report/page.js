// Charts, night view and reloading of the page. It draws and shows what stands in the page and
// computes no answer.
(function () {
  'use strict';

  const root = document.documentElement;
  const data = JSON.parse(document.getElementById('chart-data').textContent);
  const charts = [];

  const color = (name) => getComputedStyle(root).getPropertyValue('--' + name).trim();

  // What lies behind the points: bands, curves, error bars.
  function across(chart, value) {
    return chart.scales.x.getPixelForValue(value);
  }
  function up(chart, value) {
    return chart.scales.y.getPixelForValue(value);
  }
  function draw_band(chart, band, name) {
    if (!band) return;
    const area = chart.chartArea;
    chart.ctx.fillStyle = color(name);
    const left = across(chart, band[0]);
    chart.ctx.fillRect(left, area.top, across(chart, band[1]) - left, area.bottom - area.top);
  }
  function draw_line(chart, rows, width, dashes, name) {
    const ctx = chart.ctx;
    ctx.strokeStyle = color(name);
    ctx.lineWidth = width;
    ctx.setLineDash(dashes);
    ctx.beginPath();
    let drawing = false;
    for (const row of rows) {
      if (row.length < 2) {
        drawing = false;
        continue;
      }
      if (drawing) ctx.lineTo(across(chart, row[0]), up(chart, row[1]));
      else ctx.moveTo(across(chart, row[0]), up(chart, row[1]));
      drawing = true;
    }
    ctx.stroke();
    ctx.setLineDash([]);
  }
  function draw_bars(chart, points) {
    for (const p of points) {
      if (p.s === null) continue;
      draw_line(chart, [[p.x, p.y - p.s], [p.x, p.y + p.s]], 1.5, [], 'point');
    }
  }
  function behind_the_points(draw) {
    return {
      id: 'behind',
      beforeDatasetsDraw(chart) {
        const area = chart.chartArea;
        chart.ctx.save();
        chart.ctx.beginPath();
        chart.ctx.rect(area.left, area.top, area.right - area.left, area.bottom - area.top);
        chart.ctx.clip();
        draw(chart);
        chart.ctx.restore();
      }
    };
  }

  function scale(title, range) {
    return {
      type: 'linear', min: range[0], max: range[1],
      title: { display: true, text: title, color: color('ink') },
      ticks: {
        color: color('ink'), maxRotation: 0, maxTicksLimit: 7, includeBounds: false,
        format: { useGrouping: false, maximumFractionDigits: 4 }
      },
      grid: { color: color('grid'), borderColor: color('pale') },
      afterFit: (axis) => { if (axis.axis === 'y') axis.width = 68; }  // both charts in line
    };
  }
  function series(points, style, size, fill) {
    return {
      data: points, clip: 9, pointStyle: style, pointRadius: size, pointHoverRadius: size + 3,
      pointHitRadius: 12, pointBorderWidth: fill ? 1 : 2.5, pointHoverBorderWidth: 2.5,
      pointBackgroundColor: fill ? color(fill) : 'transparent',
      pointBorderColor: color(fill || 'rejected'),
      pointHoverBackgroundColor: fill ? color(fill) : 'transparent',
      pointHoverBorderColor: color('ink')
    };
  }

  function make_chart(canvas, parts) {
    const detail = document.getElementById(canvas.id + '-detail');
    const tell = (frame) => { detail.textContent = data.points[frame].join(', '); };
    const chart = new Chart(canvas, {
      type: 'scatter',
      data: { datasets: parts.datasets },
      options: {
        animation: false, maintainAspectRatio: false,
        interaction: { mode: 'nearest', intersect: false },
        onHover: (event, found, at) => {
          if (found.length) tell(at.data.datasets[found[0].datasetIndex].data[found[0].index].i);
        },
        scales: { x: parts.x, y: parts.y },
        plugins: {
          legend: { display: false },
          tooltip: {
            displayColors: false, backgroundColor: color('paper'), borderColor: color('ink'),
            borderWidth: 1, titleColor: color('ink'), bodyColor: color('ink'),
            filter: (item, index) => index === 0,
            callbacks: {
              title: (items) => (items.length ? data.points[items[0].raw.i][0] : ''),
              label: (item) => data.points[item.raw.i].slice(1)
            }
          }
        }
      },
      plugins: [behind_the_points(parts.behind)]
    });
    charts.push(chart);
    return chart;
  }

  // The arrow keys go from point to point, by position.
  function points_of(chart) {
    const found = [];
    chart.data.datasets.forEach((set, datasetIndex) => {
      set.data.forEach((point, index) => found.push({ datasetIndex, index, point }));
    });
    return found.sort((a, b) => a.point.x - b.point.x || a.point.i - b.point.i);
  }
  function step_by_keys(canvas, event) {
    const steps = { ArrowRight: 1, ArrowLeft: -1 };
    const chart = Chart.getChart(canvas);
    if (!(event.key in steps) || !chart) return;
    const points = points_of(chart);
    if (!points.length) return;
    event.preventDefault();
    const active = chart.getActiveElements()[0];
    let place = active ? points.findIndex((p) => p.datasetIndex === active.datasetIndex &&
                                                 p.index === active.index) : -1;
    place = place < 0 && steps[event.key] < 0 ? points.length - 1 : place + steps[event.key];
    const next = points[Math.max(0, Math.min(points.length - 1, place))];
    const element = [{ datasetIndex: next.datasetIndex, index: next.index }];
    chart.setActiveElements(element);
    chart.tooltip.setActiveElements(element, { x: 0, y: 0 });
    chart.update('none');
    document.getElementById(canvas.id + '-detail').textContent = data.points[next.point.i].join(', ');
  }

  function draw_charts() {
    while (charts.length) charts.pop().destroy();
    Chart.defaults.font.size = 13;
    Chart.defaults.font.family = 'system-ui, sans-serif';
    const curve = document.getElementById('curve');
    if (curve) {
      make_chart(curve, {
        x: scale('focuser position [steps]', data.x), y: scale(data.size_words, data.y),
        datasets: [series(data.used, 'circle', 5, 'point'), series(data.rejected, 'crossRot', 7),
                   series(data.off, 'triangle', 7)],
        behind: (chart) => {
          draw_band(chart, data.zone, 'zone');
          draw_band(chart, data.interval, 'interval');
          data.other_curves.forEach((other, i) => {
            draw_line(chart, other, 1.5, i ? [10, 3, 2, 3] : [6, 5], 'pale');
          });
          if (data.curve) draw_line(chart, data.curve, 2.5, [], 'curve');
          if (data.best !== null) {
            draw_line(chart, [[data.best, data.y[0]], [data.best, data.y[1]]], 2, [2, 3], 'ink');
          }
          draw_bars(chart, data.used);
        }
      });
    }
    const residuals = document.getElementById('residuals');
    if (residuals) {
      const most = 1.15 * data.largest_residual;
      make_chart(residuals, {
        x: scale('focuser position [steps]', data.x), y: scale('off curve [px]', [-most, most]),
        datasets: [series(data.residuals, 'circle', 5, 'point')],
        behind: (chart) => {
          draw_line(chart, [[data.x[0], 0], [data.x[1], 0]], 2, [], 'curve');
          draw_bars(chart, data.residuals);
        }
      });
    }
  }

  const button = document.getElementById('night');
  function show(night) {
    root.classList.toggle('night', night);
    button.setAttribute('aria-pressed', String(night));
    document.querySelector('meta[name=theme-color]').content = color('paper');
    draw_charts();
  }
  button.hidden = false;
  button.addEventListener('click', () => {
    const night = !root.classList.contains('night');
    try {
      localStorage.setItem('starwaist-view', night ? 'night' : 'day');
    } catch (refused) {
      // Not remembered, but shown.
    }
    show(night);
  });

  // On paper in ink, whatever the screen shows.
  let night_on_screen = false;
  addEventListener('beforeprint', () => {
    night_on_screen = root.classList.contains('night');
    if (night_on_screen) show(false);
  });
  addEventListener('afterprint', () => {
    if (night_on_screen) show(true);
  });

  for (const id of ['curve', 'residuals']) {
    const canvas = document.getElementById(id);
    if (canvas) canvas.addEventListener('keydown', (event) => step_by_keys(canvas, event));
  }
  show(root.classList.contains('night'));

  // While the run is taken. A page that nobody looks at waits.
  function load_anew() {
    if (document.hidden) {
      document.addEventListener('visibilitychange', load_anew, { once: true });
    } else {
      location.reload();
    }
  }
  if (data.reload_s !== null) setTimeout(load_anew, 1000 * data.reload_s);
})();
