// The page in a real browser: what a person does with it, and what may go wrong.
// Usage: node --test page.test.mjs, with PIPEBEAT, PAGE, SAMPLES, WORK and BROWSER in the environment.
import assert from 'node:assert/strict';
import { execFileSync, spawn, spawnSync } from 'node:child_process';
import { closeSync, mkdtempSync, openSync, readFileSync, rmSync, statSync, writeFileSync, writeSync } from 'node:fs';
import http from 'node:http';
import { createRequire } from 'node:module';
import path from 'node:path';
import { after, before, describe, test } from 'node:test';

const { PIPEBEAT, PAGE, SAMPLES, WORK, BROWSER } = process.env;
const need = createRequire(path.join(WORK, 'package.json'));
const { chromium } = need('playwright-core');
const axeSource = readFileSync(need.resolve('axe-core/axe.min.js'), 'utf8');
const folder = mkdtempSync(path.join(WORK, 'page-'));
const at = (name) => path.join(folder, name);
const quiet = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run',
  '--disable-background-networking', '--disable-component-update', '--disable-sync',
  '--host-resolver-rules=MAP garage.test 127.0.0.1'];
const fakeMicrophone = (wav) => ['--use-fake-device-for-media-stream',
  '--use-fake-ui-for-media-stream', `--use-file-for-fake-audio-capture=${wav}`];
const phone = { width: 360, height: 740 };
const smallPhone = { width: 320, height: 568 };

function ffmpeg(...args) {
  execFileSync('ffmpeg', ['-nostdin', '-v', 'error', '-y', ...args]);
}

/** A WAV (16 bit, one channel) whose sound is that of another, again and again for so many seconds,
 *  and silence after it up to so many. */
function longWav(source, target, soundSeconds, seconds) {
  const wav = readFileSync(source);
  const dataAt = wav.indexOf('data') + 8;
  const bytesOf = (s) => s * wav.readUInt32LE(24) * 2;
  const head = Buffer.from(wav.subarray(0, dataAt));
  head.writeUInt32LE(dataAt - 8 + bytesOf(seconds), 4);
  head.writeUInt32LE(bytesOf(seconds), dataAt - 4);
  const file = openSync(target, 'w');
  writeSync(file, head);
  const fill = (piece, bytes) => {
    for (let left = bytes; left > 0; left -= piece.length) writeSync(file, piece, 0, Math.min(left, piece.length));
  };
  fill(wav.subarray(dataAt), bytesOf(soundSeconds));
  fill(Buffer.alloc(1 << 20), bytesOf(seconds - soundSeconds));
  closeSync(file);
}

/** A WAV of an engine that is nothing but thumps, all alike; `dead`: every so many of them is missing, 0 none. */
function thumps(target, perSecond, dead, seconds = 10) {
  const rate = 16000;
  const sound = new Float32Array(seconds * rate);
  let state = dead + 1;  // a generator of its own: the same sound everywhere
  const noise = () => { state = (state * 48271) % 2147483647; return state / 1073741823.5 - 1; };
  for (let i = 0; i < sound.length; ++i) sound[i] = 0.03 * noise();
  let begin = 0.1 * rate;
  for (let n = 0; begin < sound.length - rate / 10; ++n) {
    const loud = 1 + 0.03 * noise();
    for (let i = 0; (!dead || n % dead) && i < rate / 50; ++i) {
      sound[Math.floor(begin) + i] += loud * Math.exp(-i / rate / 0.004) * Math.sin(2 * Math.PI * 90 * i / rate);
    }
    begin += rate / perSecond * (1 + 0.006 * noise());
  }
  const data = Buffer.alloc(2 * sound.length);
  sound.forEach((x, i) => data.writeInt16LE(Math.round(12000 * x), 2 * i));
  writeFileSync(at('thumps.raw'), data);
  ffmpeg('-f', 's16le', '-ar', String(rate), '-ac', '1', '-i', at('thumps.raw'), target);
}

/** Private memory in MB of the processes of the browser that was started with that mark. */
function memoryOf(mark) {
  const processes = execFileSync('ps', ['-ww', '-eo', 'pid,ppid,args']).toString().split('\n')
    .map((line) => /^ *(\d+) +(\d+) (.*)$/.exec(line)).filter(Boolean);
  const family = new Set(processes.filter(([, , , args]) => args.includes(mark)).map(([, pid]) => pid));
  for (let before = -1; before !== family.size;) {
    before = family.size;
    for (const [, pid, parent] of processes) if (family.has(parent)) family.add(pid);
  }
  let total = 0;
  for (const pid of family) {
    try {
      const status = readFileSync(`/proc/${pid}/status`, 'utf8');
      total += Number(/RssAnon:\s+(\d+)/.exec(status)[1]) / 1024;
    } catch { /* it ended meanwhile */ }
  }
  return total;
}

function json(...command) {
  return JSON.parse(spawnSync(PIPEBEAT, [...command, '--json']).stdout.toString());
}

const cli = (file, ...engine) => json('check', ...engine, file);

/** The same numbers within 1e-6, the same words. */
function assertSame(a, b, where = '') {
  if (typeof a === 'number' && typeof b === 'number') {
    assert.ok(Math.abs(a - b) <= 1e-6 * Math.max(1, Math.abs(a)), `${where}: ${a} and ${b}`);
  } else if (a && b && typeof a === 'object' && typeof b === 'object') {
    assert.deepEqual(Object.keys(a), Object.keys(b), where);
    for (const key of Object.keys(a)) assertSame(a[key], b[key], `${where}.${key}`);
  } else {
    assert.equal(a, b, where);
  }
}

/** The page, opened, with the troubles it had. */
async function open(browser, url, viewport = phone) {
  const context = await browser.newContext({ viewport, acceptDownloads: true });
  const page = await context.newPage();
  page.troubles = [];
  page.requests = [];
  page.on('pageerror', (error) => page.troubles.push(error.message));
  page.on('console', (m) => m.type() === 'error' && page.troubles.push(m.text()));
  page.on('request', (r) => /^(blob|data):/.test(r.url()) || page.requests.push(r.url()));
  await page.goto(url);
  await page.waitForSelector('html[data-ready=yes]', { timeout: 20000 });
  return page;
}

const message = (page) => page.evaluate(() => {
  const m = document.getElementById('message');
  return m.hidden ? '' : m.textContent;
});

async function findingOf(page, timeout = 40000) {
  await page.waitForFunction(() => document.getElementById('finding-json').textContent, null, { timeout });
  return JSON.parse(await page.textContent('#finding-json'));
}

async function choose(page, file) {
  await page.evaluate(() => { document.getElementById('finding-json').textContent = ''; });
  await page.setInputFiles('#recording', file);
}

/** The message after choosing a file that can't be heard. */
async function refusal(page, file) {
  await choose(page, file);
  await page.waitForFunction(() => !document.getElementById('message').hidden, null, { timeout: 30000 });
  assert.equal(await page.textContent('#finding-json'), '');
  assert.ok(await page.isEnabled('#listen'), 'one can go on');
  return message(page);
}

async function noSeriousViolation(page) {
  await page.evaluate(axeSource);
  const { violations } = await page.evaluate(() => window.axe.run());
  const serious = violations.filter((v) => ['serious', 'critical'].includes(v.impact));
  assert.deepEqual(serious.map((v) => `${v.id}: ${v.nodes[0].html} ${v.nodes[0].failureSummary}`), []);
}

const url = `file://${PAGE}`;
let browser;

before(async () => {
  for (const name of ['before', 'after', 'raised']) {
    ffmpeg('-i', path.join(SAMPLES, `van-${name}.flac`), '-c:a', 'pcm_s16le', '-bitexact', '-fflags', '+bitexact', at(`${name}.wav`));
  }
  browser = await chromium.launch({
    executablePath: BROWSER, args: [...quiet, ...fakeMicrophone(at('before.wav')), '--mark-of=pipebeat-main'],
  });
});

after(async () => {
  if (browser) await browser.close();
  rmSync(folder, { recursive: true, force: true });
});

test('the page is small and whole', () => {
  assert.ok(statSync(PAGE).size < 1.5e6);
  const html = readFileSync(PAGE, 'utf8');
  assert.match(html, /default-src 'none'/);
  assert.ok(!/(src|href)="(https?:)?\/\//.test(html));
});

describe('choosing a recording', () => {
  let page;
  before(async () => { page = await open(browser, url); await page.context().setOffline(true); });
  after(async () => {
    assert.deepEqual(page.troubles, []);
    assert.deepEqual(page.requests, [url], 'nothing is fetched');
    await page.context().close();
  });

  test('the caution and both buttons are on the first screen, on a small phone too', async () => {
    assert.match(await page.textContent('#caution'), /clear of exhaust gas/);
    for (const size of [smallPhone, phone]) {
      await page.setViewportSize(size);
      for (const id of ['#caution', '#listen', '#choose']) {
        const box = await page.locator(id).boundingBox();
        assert.ok(box.y + box.height <= size.height, `${id} at ${size.width} x ${size.height}`);
      }
    }
  });

  test('a WAV gives the finding of the command line', async () => {
    for (const name of ['before', 'after']) {
      await choose(page, at(`${name}.wav`));
      const ours = await findingOf(page);
      const theirs = cli(at(`${name}.wav`), '--cylinders', '4');
      theirs.file = `${name}.wav`;
      assertSame(ours, theirs);
      assert.ok(await page.locator('#pictures svg').count() >= 4);
    }
  });

  test('the bad one has a dead miss, the good one is even', async () => {
    await choose(page, at('before.wav'));
    assert.equal((await findingOf(page)).verdict, 'dead_miss');
    assert.match(await page.textContent('#headline'), /dead/);
    await choose(page, at('after.wav'));
    assert.equal((await findingOf(page)).verdict, 'even');
  });

  test('every kind of WAV reads as the command line reads it', async () => {
    for (const [codec, more] of [['pcm_u8', []], ['pcm_s24le', ['-ac', '2']], ['pcm_s32le', []],
      ['pcm_f32le', []], ['pcm_f64le', []]]) {
      const file = at(`${codec}.wav`);
      ffmpeg('-i', at('before.wav'), ...more, '-t', '6', '-c:a', codec, file);
      await choose(page, file);
      assertSame(await findingOf(page), { ...cli(file, '--cylinders', '4'), file: `${codec}.wav` }, codec);
    }
  });

  test('MP3, M4A and Opus are decoded by the browser', async (t) => {
    for (const kind of ['mp3', 'm4a', 'opus']) {
      const file = at(`before.${kind}`);
      ffmpeg('-i', at('before.wav'), '-b:a', '128k', file);
      await choose(page, file);
      await page.waitForFunction(() => document.getElementById('finding-json').textContent ||
        !document.getElementById('message').hidden, null, { timeout: 30000 });
      const said = await message(page);
      if (/can read/.test(said)) {
        t.diagnostic(`this browser does not decode ${kind}`);
        continue;
      }
      assert.equal((await findingOf(page)).verdict, 'dead_miss', kind);
    }
  });

  test('broken and empty files are refused in one sentence', async () => {
    writeFileSync(at('zero.wav'), '');
    writeFileSync(at('text.m4a'), 'Dear mechanic,\nhere is the recording.\n'.repeat(50));
    writeFileSync(at('head.wav'), readFileSync(at('before.wav')).subarray(0, 44));
    assert.match(await refusal(page, at('zero.wav')), /^zero\.wav is empty/);
    assert.match(await refusal(page, at('text.m4a')), /^text\.m4a is no recording/);
    assert.match(await refusal(page, at('head.wav')), /^head\.wav holds no sound/);
    page.troubles.length = 0;  // the browser itself may note that it could not decode
  });

  test('a layout with its own order and intervals gives the same as the command line', async () => {
    await page.selectOption('#layout', 'inline4');
    await choose(page, at('before.wav'));
    assertSame(await findingOf(page), { ...cli(at('before.wav'), '--engine', 'inline4'), file: 'before.wav' });
    await page.click('#details summary');
    await page.fill('#rpm', '3000');
    await choose(page, at('before.wav'));
    assertSame(await findingOf(page), { ...cli(at('before.wav'), '--engine', 'inline4', '--rpm', '3000'), file: 'before.wav' });
    assert.match(await page.textContent('#next'), /^The speed was looked for near 3000 rpm only/);
    await page.fill('#rpm', '');
    await page.fill('#cylinders', '6');
    await page.selectOption('#layout', 'own');
    for (const wrong of ['fast', '-5', '700 800']) {
      await page.fill('#rpm', wrong);
      assert.match(await refusal(page, at('before.wav')), /^Engine speed.*: write numbers only, for example 700/);
    }
    await page.fill('#rpm', '');
    await page.fill('#order', '1-2-x');
    assert.match(await refusal(page, at('before.wav')), /Firing order: write numbers only/);
    await page.fill('#order', '1-2-2-4-5-6');
    assert.match(await refusal(page, at('before.wav')), /does not fit: .*, for example 1-3-4-2\.$/);
    await page.selectOption('#layout', 'even');
    await page.fill('#cylinders', '4');
  });

  test('engines that it is not are judged as the command line judges them', async () => {
    // Wrong layouts make the hardest sums: what fits badly is decided by small differences.
    for (const [cylinders, layout, ...names] of [[6, 'v6-oddfire', 'before', 'after', 'raised'],
      [8, 'v8-bank', 'before', 'after', 'raised'], [6, 'inline6', 'before', 'raised'], [5, 'inline5', 'after'],
      [2, 'vtwin45', 'before', 'raised'], [2, 'twin270', 'after'], [12, 'v12', 'after', 'raised'],
      [1, 'twostroke-single', 'before'], [1, 'single', 'after', 'raised']]) {
      await page.fill('#cylinders', String(cylinders));
      await page.selectOption('#layout', layout);
      for (const name of names) {
        await choose(page, at(`${name}.wav`));
        const theirs = { ...cli(at(`${name}.wav`), '--engine', layout), file: `${name}.wav` };
        assertSame(await findingOf(page), theirs, `${name} as ${layout}`);
      }
    }
    await page.selectOption('#layout', 'even');
    await page.fill('#cylinders', '4');
  });

  test('half an hour of WAV is read in slices', { timeout: 250000 }, async (t) => {
    longWav(at('before.wav'), at('minute.wav'), 60, 60);
    const began = performance.now();
    await choose(page, at('minute.wav'));
    await findingOf(page);
    t.diagnostic(`a minute of sound in ${Math.round(performance.now() - began)} ms`);
    longWav(at('before.wav'), at('long.wav'), 300, 1800);
    const memory = memoryOf('pipebeat-main');
    let most = 0;
    await choose(page, at('long.wav'));
    const watch = setInterval(() => { most = Math.max(most, memoryOf('pipebeat-main')); }, 500);
    const found = await findingOf(page, 240000);
    clearInterval(watch);
    assert.equal(found.duration_s, 1800);
    assert.equal(found.verdict, 'dead_miss');
    assert.ok(most > 0, 'the memory was measured');
    // The file has 159 MB, its samples as floats 318 MB.
    t.diagnostic(`${Math.round(memory)} MB before, ${Math.round(most)} MB at most`);
    assert.ok(most - memory < 150, `${most - memory} MB more`);
    rmSync(at('long.wav'));
  });

  test('half an hour of a compressed recording is refused with the length it may have', async () => {
    // MP3 frames stand alone: one minute thirty times is half an hour.
    ffmpeg('-f', 'lavfi', '-i', 'sine=r=16000:d=60', '-b:a', '24k', '-write_xing', '0', '-id3v2_version', '0', at('minute.mp3'));
    const minute = readFileSync(at('minute.mp3'));
    writeFileSync(at('long.mp3'), Buffer.concat(Array(30).fill(minute)));
    assert.match(await refusal(page, at('long.mp3')),
      /^long\.mp3 is 30 minutes long; compressed recordings may be 5 minutes long here/);
  });

  test('before and after are compared; takes are kept and deletable', async () => {
    await page.evaluate(() => { window.confirm = () => true; });
    await page.click('#delete-all');
    for (const name of ['before', 'after']) {
      await choose(page, at(`${name}.wav`));
      await findingOf(page);
      await page.waitForFunction((n) => document.querySelector('#takes .name')?.textContent === n, `${name}.wav`);
    }
    await page.click('[aria-label="Before: before.wav"]');
    await page.click('[aria-label="After: after.wav"]');
    const compared = async () => {
      await page.waitForFunction(() => document.getElementById('compare-json').textContent, null, { timeout: 30000 });
      return JSON.parse(await page.textContent('#compare-json'));
    };
    const theirs = json('compare', '--cylinders', '4', at('before.wav'), at('after.wav'));
    assert.equal(theirs.answer, 'fixed');
    theirs.before.file = 'before.wav';
    theirs.after.file = 'after.wav';
    assertSame(await compared(), theirs);
    assert.match(await page.textContent('#compare-answer'), /^Fixed: /);
    assert.equal(await page.evaluate(() => document.activeElement.id), 'compare');
    await noSeriousViolation(page);
    const [saved] = await Promise.all([page.waitForEvent('download'), page.click('#save-compare')]);
    assert.equal(saved.suggestedFilename(), 'before-after.json');
    assert.equal(JSON.parse(readFileSync(await saved.path())).answer, 'fixed');

    assert.equal(await page.getAttribute('#compare-answer', 'class'), 'good');
    await page.evaluate(() => {
      const json = document.getElementById('compare-json').textContent;
      current = {};
      finishComparison({ json: json.replace(/("after":.*"verdict":")even/, '$1weak_cylinder'), headline: '', figures: [], next: [] });
    });
    assert.equal(await page.getAttribute('#compare-answer', 'class'), 'doubt', 'a weak cylinder is left');

    await page.click('[aria-label="After: before.wav"]');
    const same = await compared();
    assert.equal(same.answer, 'unchanged');
    assert.match(same.reasons[0], /^same_recording: /);
    assert.match(await page.textContent('#compare-answer'), /^The same recording before and after/);
    assert.equal(await page.getAttribute('#compare-answer', 'class'), 'doubt');
    assert.match(await page.textContent('#compare-next'), /^Mark two recordings/);
    await page.click('[aria-label="After: after.wav"]');
    await compared();

    await page.fill('#cylinders', '6');
    await choose(page, at('after.wav'));
    await findingOf(page);
    await page.click('[aria-label="After: after.wav"] >> nth=0');
    await page.waitForFunction(() => !document.getElementById('message').hidden);
    assert.match(await message(page), /judged as different engines \(4 and 6 cylinders/);
    assert.ok(!(await page.isVisible('#compare')), 'an old comparison does not stay under new takes');
    await page.click('[aria-label="Delete: after.wav"] >> nth=0');
    await page.fill('#cylinders', '4');
    await page.waitForFunction(() => document.querySelectorAll('#takes li').length === 2);
    await page.evaluate(() => { window.confirm = () => false; });
    await page.click('[aria-label="Delete: after.wav"]');
    assert.equal(await page.locator('#takes li').count(), 2, 'a take is not lost by a slip of the thumb');
    await page.evaluate(() => { window.confirm = () => true; });
    await page.click('[aria-label="Delete: after.wav"]');
    await page.waitForFunction(() => document.querySelectorAll('#takes li').length === 1);
    assert.ok(!(await page.isVisible('#compare')));
    await page.reload();
    await page.waitForSelector('[aria-label="Open: before.wav"]');
    page.requests.length = 1;
    await page.click('[aria-label="Open: before.wav"]');
    assert.equal((await findingOf(page)).verdict, 'dead_miss');
  });

  test('a side is heard again near the speed that the other one tells', async () => {
    await page.evaluate(() => { window.confirm = () => true; });
    await page.click('#delete-all');
    await page.fill('#cylinders', '3');
    thumps(at('one-dead.wav'), 17.5, 3);  // 700 rpm
    thumps(at('all-alike.wav'), 17.5, 0);
    for (const name of ['one-dead', 'all-alike']) {
      await choose(page, at(`${name}.wav`));
      await findingOf(page);
      await page.waitForFunction((n) => document.querySelector('#takes .name')?.textContent === n, `${name}.wav`);
    }
    const compared = async (before, after) => {
      await page.click(`[aria-label="Before: ${before}.wav"]`);
      await page.click(`[aria-label="After: ${after}.wav"]`);
      await page.waitForFunction(() => document.getElementById('compare-json').textContent, null, { timeout: 30000 });
      const theirs = json('compare', '--cylinders', '3', at(`${before}.wav`), at(`${after}.wav`));
      [theirs.before.file, theirs.after.file] = [`${before}.wav`, `${after}.wav`];
      const ours = JSON.parse(await page.textContent('#compare-json'));
      assertSame(ours, theirs);
      return ours;
    };
    const answer = await compared('one-dead', 'all-alike');
    const alone = cli(at('all-alike.wav'), '--cylinders', '3').rpm.mean;
    assert.ok(!(Math.abs(alone - 700) < 100), `heard by itself it is no longer taken for another speed: ${alone}`);
    assert.ok(Math.abs(answer.after.rpm.mean - 700) < 10, `${answer.after.rpm.mean}`);
    await page.click('[aria-label="Before: one-dead.wav"]');
    await page.click('[aria-label="After: all-alike.wav"]');
    assert.ok(Math.abs((await compared('all-alike', 'one-dead')).before.rpm.mean - 700) < 10);
    await page.click('#delete-all');
    await page.fill('#cylinders', '4');
    await choose(page, at('before.wav'));
    await findingOf(page);
  });

  test('finding, report and pulses can be saved', async () => {
    for (const [id, name] of [['#save-json', 'before.json'], ['#save-report', 'before.html'],
      ['#save-events', 'before.csv'], ['#save-sound', 'before.wav']]) {
      const [download] = await Promise.all([page.waitForEvent('download'), page.click(id)]);
      assert.equal(download.suggestedFilename(), name);
      assert.ok(statSync(await download.path()).size > 500, name);
      const written = statSync(at('before.wav')).mtime.toISOString().replace('T', ' ').slice(0, 16);
      const says = readFileSync(await download.path()).includes(`last written ${written} UTC`);
      assert.equal(says, name === 'before.html', name);
    }
  });

  test('no serious fault of accessibility, at 320 px and on a desk', async () => {
    for (const width of [320, 1280]) {
      await page.setViewportSize({ width, height: 800 });
      await noSeriousViolation(page);
      const wide = await page.evaluate(() => document.documentElement.scrollWidth);
      assert.ok(wide <= width, `${wide} px at ${width}`);
    }
    await page.emulateMedia({ colorScheme: 'dark' });
    await noSeriousViolation(page);
    await page.emulateMedia({ colorScheme: 'light' });
    await page.setViewportSize(phone);
  });

  test('the keyboard alone does it', async () => {
    await page.evaluate(() => { document.body.focus(); window.scrollTo(0, 0); });
    const seen = [];
    await page.focus('#fewer');
    for (let i = 0; i < 7; ++i) {
      seen.push(await page.evaluate(() => document.activeElement.id || document.activeElement.tagName));
      await page.keyboard.press('Tab');
    }
    for (const id of ['fewer', 'cylinders', 'more', 'layout', 'listen', 'recording']) {
      assert.ok(seen.includes(id), `${id} in ${seen}`);
    }
    await page.focus('#more');
    await page.keyboard.press('Enter');
    assert.equal(await page.inputValue('#cylinders'), '5');
    await page.fill('#cylinders', '4');
  });
});

describe('listening', () => {
  /** A take of ten seconds; its finding. Half way the page goes into the background and comes back. */
  async function takeOf(page) {
    await page.click('#listen');
    await page.waitForSelector('#stop:visible');  // until then the screen holds what an earlier take left
    await page.waitForFunction(() => /So far: /.test(document.getElementById('so-far').textContent) &&
      document.querySelector('#live-map svg'), null, { timeout: 20000 });
    const hide = (hidden) => page.evaluate((h) => {
      Object.defineProperty(document, 'hidden', { configurable: true, get: () => h });
      document.dispatchEvent(new Event('visibilitychange'));
    }, hidden);
    await hide(true);
    await page.waitForTimeout(1000);
    await hide(false);
    assert.match(await message(page), /in the background .* kept/);
    await page.waitForFunction(() => parseInt(document.getElementById('seconds').textContent, 10) >= 10, null, { timeout: 20000 });
    assert.match(await page.textContent('#rpm-now'), /^\d+ rpm$/);
    await page.click('#stop');
    return findingOf(page);
  }

  test('the microphone hears the dead miss, live and after; nothing is lost when hidden', { timeout: 90000 }, async (t) => {
    const page = await open(browser, url);
    // On a busy machine the browser's made-up microphone leaves out pieces of sound, and with them
    // the beat; then another take is made.
    let found = await takeOf(page);
    for (let takes = 1; found.verdict !== 'dead_miss' && takes < 4; ++takes) {
      t.diagnostic(`take ${takes}: ${found.verdict}`);
      found = await takeOf(page);
    }
    assert.equal(found.verdict, 'dead_miss');
    assert.ok(Math.abs(found.rpm.mean / 795 - 1) < 0.03, `${found.rpm.mean} rpm`);
    assert.ok(found.duration_s >= 9);
    assert.ok(await page.isEnabled('#listen'));

    const [download] = await Promise.all([page.waitForEvent('download'), page.click('#save-sound')]);
    const take = at('take.wav');
    await download.saveAs(take);
    const again = cli(take, '--cylinders', '4');
    assert.equal(again.verdict, 'dead_miss');
    assert.ok(Math.abs(again.duration_s - found.duration_s) < 0.01);
    assert.deepEqual(page.troubles, []);
    await page.context().close();
  });

  test('a microphone that goes away ends the take, and what was heard is judged', async () => {
    const page = await open(browser, url);
    await page.click('#listen');
    await page.waitForFunction(() => parseInt(document.getElementById('seconds').textContent, 10) >= 3);
    await noSeriousViolation(page);
    await page.evaluate(() => microphone.stream.getAudioTracks()[0].onended());
    assert.ok((await findingOf(page)).duration_s >= 2.5);
    assert.match(await message(page), /taken away .* kept and judged/);
    // The next take may begin at once.
    await page.click('#listen');
    await page.waitForSelector('#stop:visible');
    await page.waitForFunction(() => parseInt(document.getElementById('seconds').textContent, 10) >= 2);
    await page.click('#stop');
    assert.ok((await findingOf(page)).duration_s >= 1.5);
    assert.match(await message(page), /^$|lost sound/);
    await page.context().close();
  });

  test('a browser that keeps its sound processing on is warned of', async () => {
    const page = await open(browser, url);
    await page.evaluate(() => {
      MediaStreamTrack.prototype.getSettings = () => ({ echoCancellation: true, autoGainControl: false });
    });
    await page.click('#listen');
    await page.waitForFunction(() => !document.getElementById('message').hidden);
    assert.match(await message(page), /would not switch off echo cancellation:/);
    await page.context().close();
  });

  test('sound that the browser lost is told', async (t) => {
    const wav = readFileSync(at('before.wav'));
    const sound = wav.indexOf('data') + 8;
    for (const s of [1, 2, 3]) wav.fill(0, sound + s * 88200, sound + s * 88200 + 2646);  // 30 ms
    writeFileSync(at('holes.wav'), wav);
    const other = await chromium.launch({ executablePath: BROWSER, args: [...quiet, ...fakeMicrophone(at('holes.wav'))] });
    try {
      const page = await open(other, url);
      await page.click('#listen');
      await page.waitForFunction(() => parseInt(document.getElementById('seconds').textContent, 10) >= 4);
      await page.click('#stop');
      await findingOf(page);
      const [, times, lost] = /lost sound (\d+) times, ([\d.]+) s in all/.exec(await message(page));
      t.diagnostic(`${times} times, ${lost} s`);
      assert.ok(times >= 3 && lost >= 0.085, `${times} times, ${lost} s`);
    } finally {
      await other.close();
    }
  });

  test('a plug lead that is pulled while it listens', async () => {
    // The van with one lead cracked; another is pulled after 8 s.
    ffmpeg('-i', path.join(SAMPLES, 'van-droptest.flac'), '-ar', '48000', '-c:a', 'pcm_s16le', at('droptest.wav'));
    const other = await chromium.launch({ executablePath: BROWSER, args: [...quiet, ...fakeMicrophone(at('droptest.wav'))] });
    try {
      const page = await open(other, url);
      await page.click('#listen');
      // One that comes too short after a hitch of a busy machine may be missed; the next is 10 s later.
      await page.waitForFunction(() => document.getElementById('change').textContent === 'A pulse went missing', null, { timeout: 100000 });
      assert.match(await page.textContent('#change-ago'), /^[0-9]+ s ago$/);
      assert.ok(parseInt(await page.textContent('#seconds'), 10) >= 8);
      await page.waitForFunction(() => /^Since then: /.test(document.getElementById('so-far').textContent), null, { timeout: 60000 });
      await page.click('#stop');
      await findingOf(page);
    } finally {
      await other.close();
    }
  });

  test('a microphone that another program holds', async () => {
    const page = await open(browser, url);
    await page.evaluate(() => {
      navigator.mediaDevices.getUserMedia = () => Promise.reject(new DOMException('', 'NotReadableError'));
    });
    await page.click('#listen');
    await page.waitForFunction(() => !document.getElementById('message').hidden);
    assert.match(await message(page), /could not be opened .*close other programs/);
    assert.ok(await page.isEnabled('#listen'));
    await page.context().close();
  });

  async function refused(args) {
    const other = await chromium.launch({ executablePath: BROWSER, args: [...quiet, ...args], env: { ...process.env, PULSE_SERVER: '/nonexistent' } });
    try {
      const page = await open(other, url);
      await page.click('#listen');
      await page.waitForFunction(() => !document.getElementById('message').hidden, null, { timeout: 15000 });
      const said = await message(page);
      await choose(page, at('before.wav'));
      assert.equal((await findingOf(page)).verdict, 'dead_miss', 'files still work');
      return said;
    } finally {
      await other.close();
    }
  }

  test('permission denied', async () => {
    assert.match(await refused(['--use-fake-device-for-media-stream', '--deny-permission-prompts']),
      /microphone was refused: allow it/);
  });

  test('no microphone', async () => {
    assert.match(await refused(['--use-fake-ui-for-media-stream', '--disable-audio-input']),
      /No microphone was found/);
  });
});

describe('sharing', () => {
  /** The page in a browser with a share sheet that takes files or not, and may be refused. */
  async function withSheet(takesFiles, refusal = '') {
    const page = await open(browser, url);
    await page.evaluate(([files, name]) => {
      window.shared = [];
      window.asked = 0;
      navigator.canShare = (data) => files || !data.files;
      navigator.share = async (data) => {
        window.asked += 1;
        if (!navigator.userActivation.isActive) throw new DOMException('', 'NotAllowedError');
        if (name) throw new DOMException('', name);
        window.shared.push({
          title: data.title, text: data.text,
          files: await Promise.all((data.files || []).map(async (f) => [f.name, f.type, (await f.text()).slice(0, 15)])),
        });
      };
    }, [takesFiles, refusal]);
    await choose(page, at('before.wav'));
    await findingOf(page);
    await page.click('#share');
    await page.waitForFunction((name) => (name ? window.asked : window.shared.length) > 0, refusal);
    await page.waitForTimeout(100);  // for what must not come
    return page;
  }

  test('the report goes out with its headline; without files, the headline alone', async () => {
    for (const files of [true, false]) {
      const page = await withSheet(files);
      const [shared, ...more] = await page.evaluate(() => window.shared);
      assert.deepEqual(more, []);
      assert.match(shared.text, /^One cylinder is dead: .* Heard by pipebeat in before\.wav\.$/);
      assert.deepEqual(shared.files, files ? [['before.html', 'text/html', '<!DOCTYPE html>']] : []);
      assert.equal(await message(page), '');
      await page.context().close();
    }
  });

  test('leaving the sheet says nothing; a refusal says what to do', async () => {
    const left = await withSheet(true, 'AbortError');
    assert.equal(await message(left), '');
    await left.context().close();
    const refused = await withSheet(true, 'NotAllowedError');
    await refused.waitForFunction(() => !document.getElementById('message').hidden);
    assert.match(await message(refused), /^Sharing did not work .* save/);
    await refused.context().close();
  });

  test('without a share sheet there is no button', async () => {
    const context = await browser.newContext({ viewport: phone });
    await context.addInitScript(() => { delete Navigator.prototype.share; });
    const page = await context.newPage();
    await page.goto(url);
    await choose(page, at('before.wav'));
    await findingOf(page);
    assert.ok(!(await page.isVisible('#share')));
    await context.close();
  });
});

test('report and job sheet are read on a phone as well: no picture is too small, nothing lies beside the screen', async () => {
  const [report, job, sheet] = [at('report.html'), at('job'), at('sheet.html')];
  for (const command of [['check', '--cylinders', '4', '--report', report, at('before.wav')],
    ['job', 'new', job, '--vehicle', 'bakery van', '--engine', 'inline4'], ['check', '--job', job, at('before.wav')],
    ['job', 'read', job, '--cylinder', '3', '--click', 'yes', '--swapped', 'coil:3>4', '--followed', 'no'],
    ['job', 'sheet', job, '-o', sheet]]) {
    assert.notEqual(spawnSync(PIPEBEAT, command).status, 2, command.join(' '));
  }
  const context = await browser.newContext({ viewport: { width: 390, height: 740 } });
  const page = await context.newPage();
  for (const [file, pictures] of [[report, 5], [sheet, 2]]) {
    await page.goto(`file://${file}`);
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth) <= 390, file);
    const widths = await page.evaluate(() => [...document.querySelectorAll('svg')].map((s) => s.clientWidth));
    assert.equal(widths.length, pictures, file);
    assert.ok(Math.min(...widths) >= 320, `${file}: ${widths}`);
    await noSeriousViolation(page);
  }
  await context.close();
});

test('where the browser keeps nothing the page says so, and compares all the same', async () => {
  const context = await browser.newContext({ viewport: phone });
  await context.addInitScript(() => { indexedDB.open = () => { throw new DOMException('', 'SecurityError'); }; });
  const page = await context.newPage();
  await page.goto(url);
  for (const name of ['before', 'after']) {
    await choose(page, at(`${name}.wav`));
    await findingOf(page);
    await page.waitForSelector(`[aria-label="Open: ${name}.wav"]`);
  }
  assert.match(await page.textContent('#takes-note'), /keeps nothing/);
  await page.click('[aria-label="Before: before.wav"]');
  await page.click('[aria-label="After: after.wav"]');
  await page.waitForFunction(() => document.getElementById('compare-json').textContent);
  assert.match(await page.textContent('#compare-answer'), /^Fixed: /);
  await context.close();
});

test('a browser without WebAssembly is told to be too old, and nothing hangs', async () => {
  const context = await browser.newContext({ viewport: phone });
  await context.addInitScript(() => { delete window.WebAssembly; });
  const page = await context.newPage();
  await page.goto(url);
  for (const act of [() => {}, () => page.click('#listen'), () => choose(page, at('before.wav'))]) {
    await act();
    await page.waitForFunction(() => !document.getElementById('message').hidden);
    assert.match(await message(page), /^This browser is too old/);
  }
  await context.close();
});

describe('from a server', () => {
  test('without a secure context the page says so and files work', async () => {
    const server = http.createServer((_, answer) => {
      answer.setHeader('Content-Type', 'text/html');
      answer.end(readFileSync(PAGE));
    });
    await new Promise((resolve) => server.listen(0, '127.0.0.1', resolve));
    const page = await open(browser, `http://garage.test:${server.address().port}/`);
    assert.match(await message(page), /gives a page no microphone .* Choose recording/);
    await page.click('#listen');
    assert.equal(await page.evaluate(() => document.activeElement.id), 'recording');
    await choose(page, at('before.wav'));
    assert.equal((await findingOf(page)).verdict, 'dead_miss');
    await page.context().close();
    server.close();
  });

  test('pipebeat page --serve: on this machine only, under its own name only', async () => {
    const served = spawn(PIPEBEAT, ['page', '--serve', '--port', '0'], { stdio: ['ignore', 'pipe', 'inherit'] });
    try {
      const line = await new Promise((resolve) => served.stdout.once('data', (d) => resolve(d.toString())));
      const port = Number(/127\.0\.0\.1:(\d+)/.exec(line)[1]);
      const ask = (host, file = '/', method = 'GET') => new Promise((resolve, reject) => {
        http.request({ host: '127.0.0.1', port, path: file, method, headers: { Host: host } }, (r) => {
          r.resume();
          r.on('end', () => resolve(r.statusCode));
        }).on('error', reject).end();
      });
      assert.equal(await ask(`127.0.0.1:${port}`), 200);
      assert.equal(await ask(`localhost:${port}`, '/pipebeat.html'), 200);
      assert.equal(await ask('garage.example'), 421);
      assert.equal(await ask(`127.0.0.1:${port + 1}`), 421);
      assert.equal(await ask(`127.0.0.1:${port}`, '/../../etc/passwd'), 404);
      assert.equal(await ask(`127.0.0.1:${port}`, '/', 'POST'), 405);
      const page = await open(browser, `http://127.0.0.1:${port}/`);
      await page.click('#listen');
      await page.waitForFunction(() => parseInt(document.getElementById('seconds').textContent, 10) >= 2);
      await page.context().close();
    } finally {
      served.kill('SIGINT');
    }
    const status = await new Promise((resolve) => served.once('exit', resolve));
    assert.equal(status, 0);
  });
});
