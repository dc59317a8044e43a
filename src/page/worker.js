// The analysis thread: samples or a WAV file in, findings out. `createCore` comes before this file.

const sliceBytes = 1 << 20;
const pictureS = 10;  // of a take that goes on
const longestTakeS = 600;
const holeS = 0.002;  // a living microphone is not quite silent for so long
const sides = ['before', 'after'];
const pictures = ['beat-map', 'cycle-dial', 'order-spectrum', 'speed-trace', 'level-strip'];

let core = null;
let job = 0;  // grows with every task; a task that is no longer the latest stops
let take = null;

const ready = createCore().then((module) => {
  const call = (name, result, args) => module.cwrap(name, result, args);
  core = {
    module,
    version: call('pb_version', 'string', []),
    layouts: call('pb_layouts', 'string', []),
    open: call('pb_open', 'string',
      ['number', 'number', 'number', 'number', 'number', 'number', 'number', 'number', 'number']),
    block: call('pb_block', 'number', ['number']),
    push: call('pb_push', null, []),
    conclude: call('pb_conclude', null, ['number', 'string']),
    now: call('pb_now', null, ['number', 'string']),
    change: call('pb_change', 'string', []),
    json: call('pb_json', 'string', []),
    headline: call('pb_headline', 'string', []),
    figures: call('pb_figures', 'string', []),
    nextSteps: call('pb_next_steps', 'string', []),
    events: call('pb_events', 'string', []),
    report: call('pb_report', 'string', ['number']),
    picture: call('pb_picture', 'string', ['number']),
    cautions: call('pb_cautions', 'string', []),
    keep: call('pb_keep', null, ['number']),
    hearAgainNear: call('pb_hear_again_near', 'number', ['number']),
    keepInstead: call('pb_keep_instead', null, ['number']),
    compare: call('pb_compare', null, []),
    compareJson: call('pb_compare_json', 'string', []),
    compareHeadline: call('pb_compare_headline', 'string', []),
    compareFigures: call('pb_compare_figures', 'string', []),
    compareNextSteps: call('pb_compare_next_steps', 'string', []),
  };
  postMessage({
    say: 'ready', version: core.version(), layouts: JSON.parse(core.layouts()),
    cautions: core.cautions().split('\n'),
  });
}, () => postMessage({ say: 'trouble', key: 'core' }));

/** Begins a session; what is wrong with the engine, or ''. */
function open(engine, rate, channels) {
  const numbers = [...engine.order, ...engine.intervals, ...engine.heard];
  const at = core.module._malloc(Math.max(numbers.length, 1) * 8);
  core.module.HEAPF64.set(numbers, at / 8);
  const wrong = core.open(engine.cylinders, engine.strokes, at, engine.order.length,
    engine.intervals.length, engine.heard.length, engine.rpm, rate, channels);
  core.module._free(at);
  return wrong.replace(/--[a-z]+ /g, '');  // hints name the command line's options; here are fields
}

/** Room in the core for that many frames. */
function room(frames, channels) {
  const at = core.block(frames) / 4;
  return core.module.HEAPF32.subarray(at, at + frames * channels);
}

/** Name and text of each figure. */
function figuresOf(lines) {
  const texts = lines ? lines.split('\n') : [];
  return texts.flatMap((name, i) => (i % 2 ? [] : [{ name, text: texts[i + 1] }]));
}

function conclude(seconds, name) {
  core.conclude(seconds, name);
  return {
    json: core.json(),
    headline: core.headline(),
    figures: figuresOf(core.figures()),
    next: core.nextSteps().split('\n'),
  };
}

/** `written`: when the file was, in ms; nothing for a take, whose name says it. */
function whole(name, written) {
  const found = conclude(0, name);
  found.pictures = Object.fromEntries(pictures.map((p, i) => [p, core.picture(i)]));
  found.events = core.events();
  found.report = core.report(written / 1000);
  return found;
}

/** What has to be heard before the two can be compared: the other side, then, as it is one engine,
 *  before and after once more near the speed that the other tells where that puts their own in doubt. */
function heardNext(side, again) {
  if (side === 'before' && !again) return { side: 'after', rpm: 0 };
  const left = again ? sides.slice(sides.indexOf(side) + 1) : sides;
  return left.map((one) => ({ side: one, rpm: core.hearAgainNear(sides.indexOf(one)) })).find(({ rpm }) => rpm > 0);
}

/** Ends a recording: its finding, or, of one that is heard for a comparison, the side it stands on. */
function answer({ name, side, again, written }) {
  if (!side) return postMessage({ say: 'finding', ...whole(name, written) });
  core.conclude(0, name);
  (again ? core.keepInstead : core.keep)(sides.indexOf(side));
  const next = heardNext(side, again);
  if (next) return postMessage({ say: 'kept', next });
  core.compare();
  return postMessage({
    say: 'comparison',
    json: core.compareJson(),
    headline: core.compareHeadline(),
    figures: figuresOf(core.compareFigures()),
    next: core.compareNextSteps().split('\n'),
  });
}

async function hearWav(task, format, mine) {
  const { file, engine } = task;
  const wrong = open(engine, format.rate, format.channels);
  if (wrong) return postMessage({ say: 'trouble', key: 'engine_refused', detail: wrong });
  const frame = format.channels * format.bits / 8;
  const step = Math.floor(sliceBytes / frame) * frame;
  for (let at = 0; at < format.dataBytes; at += step) {
    const size = Math.min(step, format.dataBytes - at);
    const begin = format.dataAt + at;
    const buffer = await file.slice(begin, begin + size).arrayBuffer();
    if (mine !== job) return undefined;
    decodeWavSlice(buffer, format, room(size / frame, format.channels));
    core.push();
    postMessage({ say: 'progress', share: (at + size) / format.dataBytes });
  }
  return answer(task);
}

async function hearFile(task, mine) {
  const { file } = task;
  let format;
  try {
    format = await readWavHeader(file);
  } catch (error) {
    return postMessage({ say: 'trouble', key: 'unreadable', detail: error.message });
  }
  if (mine !== job) return undefined;
  if (!format) return postMessage({ say: 'decode' });  // the browser's decoders, then
  if (format.dataBytes === 0) return postMessage({ say: 'trouble', key: 'no_sound' });
  try {
    return await hearWav(task, format, mine);
  } catch (error) {
    return postMessage({ say: 'trouble', key: 'unreadable', detail: error.message });
  }
}

function hearSamples(task) {
  const { engine, rate, channels } = task;
  const wrong = open(engine, rate, channels.length);
  if (wrong) return postMessage({ say: 'trouble', key: 'engine_refused', detail: wrong });
  const frames = channels[0].length;
  const step = 1 << 16;
  for (let at = 0; at < frames; at += step) {
    const count = Math.min(step, frames - at);
    const to = room(count, channels.length);
    channels.forEach((samples, c) => {
      for (let i = 0; i < count; ++i) to[i * channels.length + c] = samples[at + i];
    });
    core.push();
    postMessage({ say: 'progress', share: (at + count) / frames });
  }
  return answer(task);
}

// -------------------------------------------------------------------------------- microphone

function beginTake({ take: number, engine, rate, name, port }) {
  const wrong = open(engine, rate, 1);
  if (wrong) return postMessage({ say: 'trouble', key: 'engine_refused', detail: wrong });
  take = {
    number, rate, name, port, pieces: [], frames: 0, peak: 0, square: 0, counted: 0, next: 2 * rate,
    verdictAt: 0, headline: '', zeros: 0, holes: 0, lost: 0,
  };
  port.onmessage = ({ data }) => (data.last ? endTake() : hearBlock(data.samples));
  return postMessage({ say: 'listening' });
}

function hearBlock(samples) {
  if (!take) return;
  room(samples.length, 1).set(samples);
  core.push();
  const piece = new Int16Array(samples.length);
  for (let i = 0; i < samples.length; ++i) {
    const x = Math.max(-1, Math.min(1, samples[i]));
    piece[i] = Math.round(x * 32767);
    take.peak = Math.max(take.peak, Math.abs(x));
    take.square += x * x;
    if (samples[i] === 0) {
      ++take.zeros;
    } else {
      if (take.zeros >= holeS * take.rate && take.frames + i > take.zeros) {
        ++take.holes;
        take.lost += take.zeros;
      }
      take.zeros = 0;
    }
  }
  take.pieces.push(piece);
  take.frames += samples.length;
  take.counted += samples.length;
  if (take.counted >= take.rate / 10) {
    postMessage({
      say: 'level', seconds: take.frames / take.rate, peak: take.peak,
      rms: Math.sqrt(take.square / take.counted),
    });
    take.peak = take.square = take.counted = 0;
  }
  if (take.frames >= take.next) showSoFar();
  if (take.frames >= longestTakeS * take.rate) {
    postMessage({ say: 'longest' });
  }
}

/** Looks at the last seconds; at the whole take less often, as that takes longer. At most a third
 *  of the time goes into looking. */
function showSoFar() {
  const began = performance.now();
  const recent = conclude(pictureS, take.name);
  const picture = core.picture(0);
  const seconds = take.frames / take.rate;
  if (seconds >= take.verdictAt) {
    take.headline = seconds > pictureS ? conclude(0, take.name).headline : recent.headline;
    take.verdictAt = seconds + 3;
  }
  core.now(seconds, take.name);
  const change = JSON.parse(core.change());
  const since = change && change.judged ? core.headline() : '';
  postMessage({ say: 'so-far', recent: core.json(), headline: take.headline, change, since, picture });
  const spent = (performance.now() - began) / 1000;
  take.next = take.frames + take.rate * Math.max(1, 3 * spent);
}

function endTake() {
  if (!take) return;
  const ended = take;
  take = null;
  ended.port.close();
  if (ended.frames === 0) {
    postMessage({ say: 'trouble', key: 'no_samples' });
    return;
  }
  const wav = wavBlob(ended.pieces, ended.rate);
  const { holes, lost, rate } = ended;
  postMessage({ say: 'finding', wav, holes, lost: lost / rate, ...whole(ended.name) });
}

onmessage = async ({ data }) => {
  await ready;
  if (!core) return undefined;
  if (data.do === 'end-take') return take && take.number === data.take ? endTake() : undefined;
  const mine = ++job;
  if (data.do === 'file') return hearFile(data, mine);
  if (data.do === 'samples') return hearSamples(data);
  return beginTake(data);
};
