// What only a browser shows: that the page opens offline, that its numbers are those of --json, and
// that hover, touch, keys, night view and reloading work. Arguments: program, chromium, the
// repository, a folder for what is made.
'use strict';

const assert = require('node:assert/strict');
const fs = require('node:fs');
const http = require('node:http');
const path = require('node:path');
const { execFileSync, spawn } = require('node:child_process');
const { chromium } = require('playwright-core');

const [, , program, browser_path, repository, folder] = process.argv;
const demo = path.join(repository, 'demo-frames');
const rig = path.join(demo, 'rig.conf');
const frames = fs.readdirSync(demo).filter((name) => name.endsWith('.fits.fz')).sort();
const made = (name) => path.join(folder, name);

const phone = { viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true };
const desk = { viewport: { width: 1280, height: 900 } };

// What the pages did that none may do.
const faults = [];
async function open(browser, kind, file) {
  const context = await browser.newContext(kind);
  const page = await context.newPage();
  page.on('console', (message) => {
    if (message.type() === 'error') faults.push(message.text());
  });
  page.on('pageerror', (error) => faults.push(error.message));
  page.on('dialog', (dialog) => {
    faults.push('dialog: ' + dialog.message());
    dialog.dismiss();
  });
  page.on('request', (request) => {
    if (!/^(data:|file:)/.test(request.url())) faults.push('request: ' + request.url());
  });
  await page.goto('file://' + file);
  return page;
}

// Where point `index` of the first series is drawn, in the window.
const place_of = (page, id, index) => page.evaluate(([canvas_id, i]) => {
  const canvas = document.getElementById(canvas_id);
  canvas.scrollIntoView({ block: 'center' });
  const point = Chart.getChart(canvas).getDatasetMeta(0).data[i];
  const box = canvas.getBoundingClientRect();
  return { x: box.left + point.x, y: box.top + point.y };
}, [id, index]);
// The chart answers a pointer with the next picture that the browser draws.
const expect_detail = (page, id, start) => page.waitForFunction(([detail, words]) =>
  document.getElementById(detail).textContent.startsWith(words), [id + '-detail', start],
  { timeout: 10000 });
const is_wider_than_screen = (page) =>
  page.evaluate(() => document.documentElement.scrollWidth > innerWidth);
// Text, backgrounds and the charts' pixels: does anything shine but red?
const shines_but_red = (page) => page.evaluate(() => {
  const of = (color) => (color.match(/[\d.]+/g) || []).map(Number);
  for (const element of document.querySelectorAll('body, body *')) {
    const style = getComputedStyle(element);
    for (const name of ['color', 'backgroundColor', 'borderTopColor']) {
      const [, green, blue, alpha] = of(style[name]);
      if (alpha !== 0 && (green > 0 || blue > 0) && !element.closest('.sky, noscript')) {
        return element.tagName + ' ' + name + ' ' + style[name];
      }
    }
  }
  for (const canvas of document.querySelectorAll('canvas')) {
    const pixels = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
    for (let i = 0; i < pixels.length; i += 4) {
      if (pixels[i + 3] > 0 && (pixels[i + 1] > 0 || pixels[i + 2] > 0)) return canvas.id;
    }
  }
  return '';
});

async function shows_the_numbers_of_json(page) {
  const json = JSON.parse(fs.readFileSync(made('demo.json'), 'utf8'));
  assert.deepEqual(JSON.parse(await page.textContent('#answer')), json);
  const best = json.fit.best_focus_steps;
  assert.equal(await page.textContent('h1 .position'), String(Math.round(best)));
  assert.match(await page.textContent('h1'), /from below: use it/);
  const rows = await page.$$eval('table', (tables) => {
    const table = tables.find((t) => t.caption.textContent === 'Points of the curve');
    return [...table.tBodies[0].rows].map((row) => [...row.cells].map((c) => c.textContent));
  });
  assert.equal(rows.length, json.fit.points.length);
  rows.forEach((cells, i) => {
    const point = json.fit.points[i];
    assert.equal(Number(cells[0]), point.position_steps);
    assert.ok(Math.abs(Number(cells[1]) - point.size_px) <= 0.00501);
    assert.equal(Number(cells[4]), point.stars);
    assert.equal(cells.at(-1), point.file);
  });
  // The chart has the same points.
  const drawn = await page.evaluate(() => Chart.getChart('curve').data.datasets[0].data);
  drawn.forEach((p) => assert.equal(p.y, json.fit.points[p.i].size_px));
  assert.equal(drawn.length, json.fit.points.filter((p) => p.used).length);
}

async function hover_and_keys(page) {
  const at = await place_of(page, 'curve', 2);
  await page.mouse.move(at.x, at.y);
  const { size_px } = JSON.parse(await page.textContent('#answer')).fit.points[2];
  await expect_detail(page, 'curve',
    `frame_02.fits.fz, Position 5182 steps, HFR ${size_px.toFixed(2)} px`);
  assert.equal(await page.evaluate(() => Chart.getChart('curve').tooltip.opacity), 1);
  const lower = await place_of(page, 'residuals', 4);
  await page.mouse.move(lower.x, lower.y);
  await expect_detail(page, 'residuals', 'frame_04.fits.fz');
  await page.mouse.move(1, 1);
  await page.focus('#curve');
  await page.keyboard.press('ArrowRight');
  await page.keyboard.press('ArrowRight');
  await expect_detail(page, 'curve', 'frame_01.fits.fz');
  await page.keyboard.press('ArrowLeft');
  await expect_detail(page, 'curve', 'frame_00.fits.fz');
}

async function night_view_is_red_and_remembered(page) {
  assert.equal(await page.getAttribute('#night', 'aria-pressed'), 'false');
  await page.click('#night');
  await page.mouse.move(1, 1);
  assert.equal(await page.getAttribute('#night', 'aria-pressed'), 'true');
  assert.equal(await shines_but_red(page), '');
  await page.reload();
  assert.equal(await page.getAttribute('#night', 'aria-pressed'), 'true');
  assert.equal(await shines_but_red(page), '');
  // On paper it is ink all the same.
  await page.evaluate(() => dispatchEvent(new Event('beforeprint')));
  assert.notEqual(await shines_but_red(page), '');
  await page.evaluate(() => dispatchEvent(new Event('afterprint')));
  assert.equal(await shines_but_red(page), '');
  await page.click('#night');
  assert.notEqual(await shines_but_red(page), '');
}

async function every_chart_and_table_has_a_name(page) {
  const nameless = await page.$$eval('canvas, table, section, img, button, [role=region]', (all) =>
    all.filter((e) => !(e.caption || e.getAttribute('aria-label') || e.getAttribute('alt') ||
                        e.getAttribute('aria-labelledby') || e.textContent.trim()))
      .map((e) => e.outerHTML.slice(0, 80)));
  assert.deepEqual(nameless, []);
  for (const landmark of ['header', 'main', 'footer', 'h1']) {
    assert.equal((await page.$$(landmark)).length, 1, landmark);
  }
}

async function fits_a_phone(browser, file) {
  const page = await open(browser, phone, file);
  assert.equal(await is_wider_than_screen(page), false);
  const first = await page.locator('h1').boundingBox();
  assert.ok(first.y + first.height < 844, 'the answer is on the first screen');
  const at = await place_of(page, 'curve', 3);
  await page.touchscreen.tap(at.x, at.y);
  await expect_detail(page, 'curve', 'frame_03.fits.fz, Position 5198 steps');
  await page.click('summary');
  assert.equal(await is_wider_than_screen(page), false);
  await page.context().close();
}

// Names of files as hostile as a file system allows.
async function hostile_names_stay_text(browser) {
  fs.mkdirSync(made('<b>run'));
  frames.forEach((name, i) => {
    const evil = `"><script>alert(1)<img src=x onerror=alert(${i})>${i}'&amp;.fits.fz`;
    fs.copyFileSync(path.join(demo, name), made(path.join('<b>run', evil)));
  });
  execFileSync(program, ['report', made('<b>run'), '--config', rig, '--quiet', '--output',
    made('hostile.html')]);
  const page = await open(browser, desk, made('hostile.html'));
  assert.equal((await page.$$('script')).length, 5);
  assert.equal(await page.textContent('.run'), '<b>run, 11 frames');
  assert.match(await page.textContent('main'), /"><script>alert\(1\)<img src=x onerror=alert\(0\)>0'&amp;\.fits\.fz/);
  const at = await place_of(page, 'curve', 0);
  await page.mouse.move(at.x, at.y);
  await expect_detail(page, 'curve', '"><script>');
  await page.context().close();
}

// Even if markup came into the page, it could neither run nor call out. Last: the browser says so
// on the console.
async function policy_forbids_all_else(browser) {
  const context = await browser.newContext(desk);
  const page = await context.newPage();
  let calls = 0;
  const server = http.createServer((request, answer) => {
    ++calls;
    answer.end();
  });
  await new Promise((resolve) => server.listen(0, '127.0.0.1', resolve));
  const url = 'http://127.0.0.1:' + server.address().port + '/x.png';
  await page.goto('file://' + made('demo.html'));
  const ran = await page.evaluate(async (to) => {
    const script = document.createElement('script');
    script.textContent = 'window.ran = true';
    document.body.append(script);
    const image = new Image();
    const loaded = new Promise((resolve) => {
      image.onload = () => resolve(true);
      image.onerror = () => resolve(false);
    });
    image.src = to;
    document.body.append(image);
    const fetched = await fetch(to, { mode: 'no-cors' }).then(() => true, () => false);
    return [window.ran === true, await loaded, fetched];
  }, url);
  assert.deepEqual(ran, [false, false, false]);
  assert.equal(calls, 0);
  server.close();
  await context.close();
}

// A phone beside the telescope sees the run grow without anybody touching it.
async function watched_page_loads_anew(browser) {
  fs.mkdirSync(made('live'));
  const copy = (name) => {
    fs.copyFileSync(path.join(demo, name), made('live/part.tmp'));
    fs.renameSync(made('live/part.tmp'), made('live/' + name));
  };
  const watching = spawn(program, ['watch', made('live'), '--config', rig, '--quiet', '--page',
    made('live.html')], { stdio: 'ignore' });
  const ended = new Promise((resolve) => watching.on('exit', resolve));
  try {
    frames.slice(0, 3).forEach(copy);
    for (let i = 0; i < 300 && !fs.existsSync(made('live.html')); ++i) {
      await new Promise((resolve) => setTimeout(resolve, 100));
    }
    const page = await open(browser, phone, made('live.html'));
    assert.match(await page.textContent('h1'), /next \d+$/);
    assert.equal(await is_wider_than_screen(page), false);
    frames.slice(3).forEach(copy);
    await page.waitForFunction(() => document.querySelector('.run').textContent.includes('11 frames'),
      null, { timeout: 60000 });
    watching.kill('SIGINT');
    await ended;
    await page.waitForFunction(
      () => JSON.parse(document.getElementById('chart-data').textContent).reload_s === null, null,
      { timeout: 20000 });
    assert.match(await page.textContent('h1'), /^5231 from below: use it/);
    await page.context().close();
  } finally {
    watching.kill('SIGKILL');
  }
}

async function all() {
  execFileSync(program, ['report', demo, '--config', rig, '--quiet', '--output', made('demo.html'),
    '--json', made('demo.json')]);
  const browser = await chromium.launch({ executablePath: browser_path, args: ['--no-sandbox'] });
  try {
    const page = await open(browser, desk, made('demo.html'));
    await shows_the_numbers_of_json(page);
    await hover_and_keys(page);
    await every_chart_and_table_has_a_name(page);
    assert.equal(await is_wider_than_screen(page), false);
    await night_view_is_red_and_remembered(page);
    await page.context().close();
    await fits_a_phone(browser, made('demo.html'));
    await hostile_names_stay_text(browser);
    await watched_page_loads_anew(browser);
    assert.deepEqual(faults, []);
    await policy_forbids_all_else(browser);
  } finally {
    await browser.close();
  }
}

all().then(() => console.log('page test: passed'), (error) => {
  console.error(error, faults);
  process.exit(1);
});
