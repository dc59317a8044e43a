// The page itself: buttons, microphone, takes. The listening happens in a worker.
'use strict';

const texts = @TEXTS@;
const workerSource = @WORKER@;
const workletSource = @WORKLET@;

const longestDecodedS = 300;          // a decoder holds the whole sound: 5 min of stereo are 115 MB
const largestDecodedBytes = 100e6;    // where the browser can't tell the length beforehand
const decodeRate = 48000;
const largestKeptBytes = 60e6;        // of a take's sound in the browser's store

const $ = (id) => document.getElementById(id);

/** The text of that key, its {fields} filled in. */
function t(key, fields = {}) {
  return texts[key].replace(/\{(\w+)\}/g, (_, name) => fields[name]);
}

/** A number and its per cent sign stay on one line. */
const unbroken = (text) => text.replace(/(\d) %/g, '$1\u00a0%');

function say(key, fields) {
  $('message').textContent = t(key, fields);
  $('message').hidden = false;
  $('message').scrollIntoView({ block: 'nearest' });
}

function trouble(key, fields) {
  rest();
  say(`trouble_${key}`, fields);
}

function quiet() {
  $('message').hidden = true;
}

function translate() {
  for (const element of document.querySelectorAll('[data-t]')) {
    element.textContent = t(element.dataset.t);
  }
  for (const element of document.querySelectorAll('[data-label]')) {
    element.setAttribute('aria-label', t(element.dataset.label));
  }
}

// ------------------------------------------------------------------------------------ engine

let layouts = [];

function fitCylinders() {
  const wanted = Math.round(Number($('cylinders').value));
  return Math.min(16, Math.max(1, Number.isFinite(wanted) && wanted ? wanted : 4));
}

function offerLayouts() {
  const cylinders = fitCylinders();
  const before = $('layout').value;
  const option = (value, text) => Object.assign(document.createElement('option'),
    { value, textContent: text });
  const fitting = layouts.filter((l) => l.cylinders === cylinders)
    .map((l) => option(l.name, `${l.name}: ${l.description}`));
  $('layout').replaceChildren(option('even', t('layout_even')),
    option('even-two', t('layout_even_two')), ...fitting, option('own', t('layout_own')));
  if ([...$('layout').options].some((o) => o.value === before)) $('layout').value = before;
  showOwn();
}

function showOwn() {
  const layout = $('layout').value;
  const own = layout === 'own';
  $('own').hidden = !own;
  if (own) $('details').open = true;
  $('one-bank').hidden = fitCylinders() < 6 || !layout.startsWith('even');
}

/** The numbers of a field; throws the field's name when it holds anything else. */
function numbersOf(id) {
  const text = $(id).value.trim();
  if (!text) return [];
  const numbers = text.split(id === 'order' ? /[-,\s]+/ : /[,;\s]+/).map(Number);
  if (numbers.some((n) => !Number.isFinite(n))) throw new Error(id);
  return numbers;
}

/** The engine as described; null after saying what is wrong with the description. */
function engineOf() {
  try {
    const choice = $('layout').value;
    const layout = layouts.find((l) => l.name === choice);
    const [rpm = 0, ...more] = numbersOf('rpm');
    if ($('rpm').value.trim() && (more.length || rpm <= 0)) throw new Error('rpm');
    const cylinders = fitCylinders();
    if (layout) return { name: layout.name, ...layout, rpm };
    if (choice !== 'own') {
      const strokes = choice === 'even-two' ? 2 : 4;
      return { name: '', cylinders, strokes, order: [], intervals: [], heard: [], rpm };
    }
    return {
      name: '', cylinders, strokes: Number($('strokes').value), order: numbersOf('order'),
      intervals: numbersOf('intervals'), heard: numbersOf('heard'), rpm,
    };
  } catch (error) {
    trouble('numbers', { field: t(error.message), hint: t(`${error.message}_hint`) });
    return null;
  }
}

// ------------------------------------------------------------------------------------ worker

const blobUrl = (source) => URL.createObjectURL(new Blob([source], { type: 'text/javascript' }));

let worker = null;
let whenReady = null;
let unable = false;  // this browser can't run the core
let current = null;  // what is being heard: { name, engine, file?, live?, side?, again? }

function startWorker() {
  if (typeof WebAssembly === 'undefined') {
    giveUp();
    return;
  }
  worker = new Worker(blobUrl(workerSource));
  whenReady = new Promise((resolve) => {
    worker.onmessage = ({ data }) => {
      if (data.say === 'ready') {
        layouts = data.layouts;
        for (const place of document.querySelectorAll('.recording-caution')) {
          place.textContent = data.cautions[0];
        }
        $('workshop-caution').textContent = $('compare-caution').textContent = data.cautions[1];
        $('version').textContent = t('version', { version: data.version });
        offerLayouts();
        document.documentElement.dataset.ready = 'yes';
        resolve();
      } else if (answers[data.say]) {
        answers[data.say](data);
      }
    };
  });
  worker.onerror = (event) => {
    event.preventDefault();
    if (!current) {
      giveUp();
      return;
    }
    restartWorker();
    trouble('unreadable', { name: current.name, detail: event.message });
  };
}

function giveUp() {
  unable = true;
  trouble('core');
}

function restartWorker() {
  worker.terminate();
  startWorker();
}

const answers = {
  progress: ({ share }) => { $('progress').value = share; },
  listening: () => {},
  level: showLevel,
  'so-far': showSoFar,
  longest: () => {
    if (!current) return;
    current.note = ['longest', { minutes: 10 }];
    stopMicrophone();
  },
  decode: () => decodeFile(),
  trouble: ({ key, detail }) => {
    if (key === 'core') {
      giveUp();
      return;
    }
    closeMicrophone();
    trouble(key, { name: current ? current.name : '', detail });
  },
  finding: (data) => finish(data),
  kept: ({ next }) => hearSide(next.side, next.rpm),
  comparison: (data) => finishComparison(data),
};

// -------------------------------------------------------------------------------------- files

function busy(key) {
  $('busy').hidden = false;
  $('busy-text').textContent = t(key, { name: current.name });
  $('progress').removeAttribute('value');
  $('setup').inert = $('takes-section').inert = true;
  $('busy').scrollIntoView({ block: 'nearest' });
}

/** Back to where something can be chosen. */
function rest() {
  $('busy').hidden = true;
  $('live').hidden = true;
  $('setup').hidden = false;
  $('setup').inert = $('takes-section').inert = false;
  $('takes-section').hidden = false;
  $('listen').disabled = false;
}

async function hearFile(file) {
  quiet();
  stopMicrophone();
  if (unable) {
    giveUp();
    return;
  }
  const engine = engineOf();
  if (!engine || !file) return;
  forget();
  current = { name: file.name, engine, file };
  if (file.size === 0) {
    trouble('empty', { name: file.name });
    return;
  }
  busy('hearing');
  await whenReady;
  worker.postMessage({ do: 'file', file, name: file.name, engine, written: file.lastModified });
}

/** Length in seconds as the browser reads it from the file's head; null when it can't tell. */
function lengthOf(file) {
  return new Promise((resolve) => {
    const url = URL.createObjectURL(file);
    const media = document.createElement('audio');
    const done = (value) => {
      clearTimeout(timer);
      media.removeAttribute('src');
      URL.revokeObjectURL(url);
      resolve(value);
    };
    const timer = setTimeout(() => done(null), 5000);
    media.preload = 'metadata';
    media.onloadedmetadata = () => done(Number.isFinite(media.duration) ? media.duration : null);
    media.onerror = () => done(null);
    media.src = url;
  });
}

async function decodeFile() {
  const mine = current;
  busy('decoding');
  const length = await lengthOf(mine.file);
  if (mine !== current) return;
  if (length !== null && length > longestDecodedS) {
    trouble('too_long', {
      name: mine.name, minutes: Math.round(length / 60), most: longestDecodedS / 60,
    });
    return;
  }
  if (mine.file.size > largestDecodedBytes) {
    trouble('too_big', { name: mine.name, most: largestDecodedBytes / 1e6 });
    return;
  }
  let sound;
  try {
    const context = new OfflineAudioContext(1, 1, decodeRate);
    sound = await context.decodeAudioData(await mine.file.arrayBuffer());
  } catch (error) {
    if (mine === current) trouble('undecodable', { name: mine.name });
    return;
  }
  if (mine !== current) return;
  if (sound.length === 0) {
    trouble('no_sound', { name: mine.name });
    return;
  }
  busy('hearing');
  const channels = Array.from({ length: sound.numberOfChannels },
    (_, c) => sound.getChannelData(c).slice());
  worker.postMessage({
    do: 'samples', name: mine.name, engine: mine.engine, side: mine.side, again: mine.again,
    written: mine.file.lastModified, rate: sound.sampleRate, channels,
  }, channels.map((c) => c.buffer));
}

function cancel() {
  current = null;
  restartWorker();
  rest();
}

// --------------------------------------------------------------------------------- microphone

let microphone = null;  // { stream, context, node, lock, hiddenAt, take }
let takesBegun = 0;

const mayListen = () =>
  window.isSecureContext && navigator.mediaDevices && navigator.mediaDevices.getUserMedia &&
  typeof AudioWorkletNode !== 'undefined';

async function listen() {
  quiet();
  if (unable) {
    giveUp();
    return;
  }
  if (!mayListen()) {
    trouble('insecure');
    $('recording').focus();
    return;
  }
  const engine = engineOf();
  if (!engine) return;
  forget();
  $('listen').disabled = true;
  let stream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({
      audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 },
    });
  } catch (error) {
    const denied = error.name === 'NotAllowedError' || error.name === 'SecurityError';
    const none = error.name === 'NotFoundError' || error.name === 'OverconstrainedError';
    trouble(denied ? 'denied' : none ? 'no_microphone' : 'microphone', { detail: error.name });
    return;
  }
  try {
    await whenReady;
    const context = new AudioContext();
    microphone = { stream, context, take: ++takesBegun };
    await context.resume();
    await addGatherer(context);
    const node = new AudioWorkletNode(context, 'gatherer', { numberOfInputs: 1, numberOfOutputs: 1 });
    const channel = new MessageChannel();
    node.port.postMessage({ port: channel.port1 }, [channel.port1]);
    const name = t('take_name', { date: new Date().toLocaleString('en-GB') });
    current = { name, engine, live: true };
    worker.postMessage({
      do: 'take', take: microphone.take, engine, rate: context.sampleRate, name, port: channel.port2,
    }, [channel.port2]);
    microphone.source = context.createMediaStreamSource(stream);
    microphone.source.connect(node);
    node.connect(context.destination);  // silent; some browsers run only what is connected
    microphone.node = node;
  } catch (error) {
    closeMicrophone();
    trouble('microphone', { detail: error.message });
    return;
  }
  const track = stream.getAudioTracks()[0];
  track.onended = () => {
    current.note = ['interrupted', { n: Math.round(current.seconds || 0) }];
    stopMicrophone();
  };
  warnOfProcessing(track.getSettings ? track.getSettings() : {});
  if (navigator.wakeLock) {
    navigator.wakeLock.request('screen').then((lock) => { if (microphone) microphone.lock = lock; },
      () => {});
  }
  $('setup').hidden = true;
  $('takes-section').hidden = true;
  $('compare').hidden = true;
  $('live').hidden = false;
  $('seconds').textContent = t('seconds', { n: 0 });
  $('rpm-now').textContent = t('rpm_unknown');
  $('so-far').textContent = t('too_early');
  $('change').textContent = $('change-ago').textContent = '';
  $('live-map').replaceChildren();
  $('stop').focus();
}

/** A page opened from disk has no origin of its own, so some browsers refuse its blobs here. */
async function addGatherer(context) {
  try {
    await context.audioWorklet.addModule(blobUrl(workletSource));
  } catch (error) {
    await context.audioWorklet.addModule(
      `data:text/javascript;charset=utf-8,${encodeURIComponent(workletSource)}`);
  }
}

function warnOfProcessing(settings) {
  const left = ['echoCancellation', 'noiseSuppression', 'autoGainControl']
    .filter((name) => settings[name] === true || typeof settings[name] === 'string');
  if (left.length) say('processing', { list: left.map((n) => t(`processing_${n}`)).join(', ') });
}

function closeMicrophone() {
  if (!microphone) return;
  const { stream, context, source, node, lock } = microphone;
  microphone = null;
  for (const track of stream.getTracks()) track.onended = null;
  // In this order: a browser may hang when the device goes away under a running graph.
  if (source) source.disconnect();
  if (node) node.disconnect();
  context.close().catch(() => {}).then(() => stream.getTracks().forEach((track) => track.stop()));
  if (lock) lock.release();
}

/** Ends the take; its finding comes from the worker. */
function stopMicrophone() {
  if (!microphone) return;
  const mine = microphone;
  const { node, take } = mine;
  $('live').hidden = true;
  $('setup').hidden = false;
  if (node) {
    busy('hearing');
    node.port.postMessage({ stop: true });
    // The audio thread may be asleep (page hidden, device gone): then the worker ends the take.
    setTimeout(() => worker.postMessage({ do: 'end-take', take }), 400);
    setTimeout(() => { if (microphone === mine) closeMicrophone(); }, 200);
  } else {
    closeMicrophone();
  }
}

function showLevel({ seconds, peak, rms }) {
  if (!current || !current.live) return;
  current.seconds = seconds;
  $('seconds').textContent = t('seconds', { n: seconds.toFixed(0) });
  const db = rms > 0 ? 20 * Math.log10(rms) : -60;
  $('loudness').value = Math.max(-60, db);
  $('loudness').textContent = `${db.toFixed(0)} dB`;
  const note = peak >= 0.99 ? t('too_loud') : db < -55 && seconds > 2 ? t('too_quiet') : '';
  if ($('loudness-note').textContent !== note) $('loudness-note').textContent = note;
}

function showSoFar({ recent, headline, change, since, picture }) {
  if (!current || !current.live) return;
  const found = JSON.parse(recent);
  $('rpm-now').textContent = found.rpm.mean === null ? t('rpm_unknown')
    : t('rpm_now', { n: found.rpm.mean.toFixed(0) });
  const what = change ? t(change.lost ? 'pulse_lost' : 'pulse_back') : '';
  if ($('change').textContent !== what) $('change').textContent = what;
  $('change-ago').textContent = change ? t('seconds_ago', { n: change.ago_s.toFixed(0) }) : '';
  const text = unbroken(since ? t('since_then', { headline: since }) : t('so_far', { headline }));
  if ($('so-far').textContent !== text) $('so-far').textContent = text;
  $('live-map').replaceChildren(...drawing(picture));
}

document.addEventListener('visibilitychange', () => {
  if (!microphone || !current) return;
  if (document.hidden) {
    microphone.hiddenAt = current.seconds || 0;
  } else if (microphone.hiddenAt !== undefined) {
    current.note = ['hidden', { from: Math.round(microphone.hiddenAt) }];
    say(...current.note);
    microphone.context.resume();
  }
});

// ------------------------------------------------------------------------------------ finding

let shown = null;  // the take on the screen

/** An SVG text as elements; nothing for an empty text. */
function drawing(svg) {
  if (!svg) return [];
  const root = new DOMParser().parseFromString(svg, 'image/svg+xml').documentElement;
  return [document.importNode(root, true)];
}

const figureOf = (svg) => {
  const figure = document.createElement('figure');
  figure.append(...drawing(svg));
  return figure;
};

function forget() {
  $('finding').hidden = true;
  $('finding-json').textContent = '';
  shown = null;
}

async function finish(data) {
  if (!current) return;
  const { name, engine, file, note } = current;
  const { json, headline, figures, next, pictures, events, report } = data;
  const take = {
    name, engine, json, headline, figures, next, pictures, events, report, at: Date.now(),
    sound: data.wav || file,
  };
  current = null;
  closeMicrophone();
  rest();
  if (data.holes) say('holes', { n: data.holes, lost: data.lost.toFixed(2) });
  if (note) say(...note);
  show(take);
  $('finding').focus();
  $('finding').scrollIntoView({ block: 'start' });
  await store.add(take);
  showTakes();
}

function kindOf(verdict) {
  if (verdict.endsWith('_miss') && verdict !== 'rough_no_miss') return 'bad';
  return verdict === 'even' ? 'good' : 'doubt';
}

function items(list, sentences) {
  list.replaceChildren(...sentences.map((text) => {
    const item = document.createElement('li');
    item.textContent = unbroken(text);
    return item;
  }));
}

function showFigures(list, figures) {
  list.replaceChildren(...figures.flatMap(({ name, text }) => [
    Object.assign(document.createElement('dt'), { textContent: name }),
    Object.assign(document.createElement('dd'), { textContent: unbroken(text) }),
  ]));
}

/** Reasons as sentences; the code before the first of an unclear answer is for programs. */
const reasonsOf = (found) => found.reasons.map((r) => {
  const plain = r.replace(/^[a-z_]+: /, '');
  return `${plain[0].toUpperCase()}${plain.slice(1)}.`;
});

function show(take) {
  shown = take;
  const found = JSON.parse(take.json);
  $('finding-name').textContent = take.name;
  $('headline').textContent = unbroken(`${take.headline}.`);
  $('headline').className = kindOf(found.verdict);
  showFigures($('figures'), [...take.figures, {
    name: t('length'),
    text: t(found.input.usable_s < 0.05 ? 'length_unused' : 'length_text', {
      duration: found.duration_s.toFixed(1), usable: found.input.usable_s.toFixed(1),
    }),
  }]);
  items($('reasons'), reasonsOf(found));
  items($('next'), take.next);
  $('workshop-caution').hidden = ['even', 'unclear'].includes(found.verdict);
  $('pictures').replaceChildren(...Object.values(take.pictures).filter(Boolean).map(figureOf));
  $('finding-json').textContent = take.json;
  $('save-sound').hidden = !take.sound;
  $('share').hidden = !navigator.share;
  $('finding').hidden = false;
}

// ---------------------------------------------------------------------------------- keep, send

const stem = (name) => name.replace(/\.[^.]*$/, '').replace(/[^\p{L}\p{N}._ -]/gu, '-');

function save(blob, name) {
  const url = URL.createObjectURL(blob);
  const link = Object.assign(document.createElement('a'), { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60000);
}

const asBlob = (text, type) => new Blob([text], { type });

function saveSound() {
  const recorded = shown.sound instanceof File;
  save(shown.sound, recorded ? shown.name : `${stem(shown.name)}.wav`);
}

async function share() {
  const text = t('share_text', { headline: shown.headline, name: shown.name });
  const report = new File([shown.report], `${stem(shown.name)}.html`, { type: 'text/html' });
  const data = { title: t('title'), text };
  if (navigator.canShare && navigator.canShare({ files: [report] })) data.files = [report];
  try {
    await navigator.share(data);
  } catch (error) {
    if (error.name !== 'AbortError') say('trouble_share', { detail: error.name });
  }
}

// --------------------------------------------------------------------------------------- takes

/** The takes in the browser's own database; without one they live as long as the page. */
const store = {
  memory: [],
  database: null,
  kept: false,
  async open() {
    try {
      this.database = await new Promise((resolve, reject) => {
        const request = indexedDB.open('pipebeat', 1);
        request.onupgradeneeded = () =>
          request.result.createObjectStore('takes', { keyPath: 'id', autoIncrement: true });
        request.onsuccess = () => resolve(request.result);
        request.onerror = () => reject(request.error);
      });
      this.memory = await this.run('readonly', (takes) => takes.getAll());
      this.kept = true;
    } catch (error) {
      this.kept = false;  // private windows and some files from disk: the note says so
    }
  },
  run(mode, action) {
    return new Promise((resolve, reject) => {
      const transaction = this.database.transaction('takes', mode);
      const request = action(transaction.objectStore('takes'));
      transaction.oncomplete = () => resolve(request.result);
      transaction.onerror = transaction.onabort = () => reject(transaction.error);
    });
  },
  async add(take) {
    const small = !take.sound || take.sound.size <= largestKeptBytes;
    const record = { ...take, sound: small ? take.sound : null };
    try {
      if (!this.kept) throw new Error('not kept');
      record.id = await this.run('readwrite', (takes) => takes.add(record));
    } catch (error) {
      this.kept = false;
      record.id = -this.memory.length - 1;
    }
    this.memory.push({ ...record, sound: take.sound });
  },
  async remove(id) {
    this.memory = this.memory.filter((take) => take.id !== id);
    if (this.kept && id > 0) await this.run('readwrite', (takes) => takes.delete(id));
  },
  async clear() {
    this.memory = [];
    if (this.kept) await this.run('readwrite', (takes) => takes.clear());
  },
};

const sides = { before: null, after: null };

function showTakes() {
  const waiting = ['before', 'after'].filter((side) => !sideTake(side));
  $('takes-note').textContent = !store.kept ? t('takes_unkept') : !store.memory.length ? t('takes_none')
    : waiting.length === 1 ? t('compare_one', { side: t(waiting[0]) }) : t('compare_hint');
  $('takes').replaceChildren(...[...store.memory].reverse().map(takeItem));
  $('delete-all').hidden = store.memory.length === 0;
  forgetComparison();
}

function takeItem(take) {
  const item = document.createElement('li');
  const name = Object.assign(document.createElement('div'), { className: 'name', textContent: take.name });
  const verdict = Object.assign(document.createElement('div'), { textContent: `${take.headline}.` });
  const buttons = Object.assign(document.createElement('div'), { className: 'buttons' });
  const button = (key, action) => {
    const b = Object.assign(document.createElement('button'), { type: 'button', textContent: t(key) });
    b.setAttribute('aria-label', `${t(key)}: ${take.name}`);
    b.onclick = action;
    buttons.append(b);
    return b;
  };
  button('open', () => {
    quiet();
    show(take);
    $('finding').scrollIntoView({ block: 'start' });
  });
  for (const side of ['before', 'after']) {
    const b = button(side, () => {
      sides[side] = sides[side] === take.id ? null : take.id;
      showTakes();
      if (sides[side]) compareTakes();
    });
    b.setAttribute('aria-pressed', String(sides[side] === take.id));
  }
  button('delete', async () => {
    if (!window.confirm(t('delete_one_sure', { name: take.name }))) return;
    await store.remove(take.id);
    showTakes();
  });
  item.append(name, verdict, buttons);
  return item;
}

let compared = null;  // { before, after }: the takes on the screen, side by side

const sideTake = (side) => store.memory.find((take) => take.id === sides[side]);

/** Begins a comparison as soon as both sides are there: both are heard again, one after the other. */
function compareTakes() {
  const [before, after] = [sideTake('before'), sideTake('after')];
  if (!before || !after) return;
  quiet();
  const heard = (take) => [take.engine.cylinders, take.engine.strokes];
  if (heard(before).join() !== heard(after).join()) {
    say('compare_engines', { before: heard(before)[0], after: heard(after)[0] });
    return;
  }
  const silent = [before, after].find((take) => !take.sound);
  if (silent) {
    say('compare_no_sound', { name: silent.name });
    return;
  }
  hearSide('before');
}

/** Hears one side; again near `rpm`, where the core wants that. */
async function hearSide(side, rpm = 0) {
  if ((side === 'after' || rpm) && !current) return;  // cancelled meanwhile
  const { name, sound, engine } = sideTake(side);
  // One engine for both, as it was described last; each with the speed that was known of it.
  current = {
    name, file: sound, side, again: rpm > 0, engine: { ...sideTake('after').engine, rpm: rpm || engine.rpm },
  };
  busy('hearing');
  await whenReady;
  worker.postMessage({ do: 'file', file: sound, name, engine: current.engine, side, again: current.again });
}

function finishComparison({ json, headline, figures, next }) {
  if (!current) return;
  current = null;
  rest();
  compared = { before: sideTake('before'), after: sideTake('after') };
  const found = JSON.parse(json);
  // One recording marked twice is no comparison either.
  const none = found.answer === 'cannot_compare' || /^same_recording: /.test(found.reasons[0]);
  const bad = !none && kindOf(found.after.verdict) === 'bad';
  // A cylinder that is left weak is no repair that is done.
  const doubt = none || found.after.verdict === 'weak_cylinder';
  $('compare-answer').textContent = `${headline}.`;
  $('compare-answer').className = bad ? 'bad' : doubt ? 'doubt' : 'good';
  showFigures($('compare-figures'), figures);
  items($('compare-reasons'), reasonsOf(found));
  items($('compare-next'), next);
  $('compare-caution').hidden = !bad;
  $('compare-sides').replaceChildren(...['before', 'after'].map((side) => {
    const take = compared[side];
    const part = document.createElement('div');
    const title = Object.assign(document.createElement('h3'), { textContent: `${t(side)}: ${take.name}` });
    const verdict = Object.assign(document.createElement('p'), { textContent: `${take.headline}.` });
    part.append(title, verdict, ...['beat-map', 'cycle-dial'].map((p) => take.pictures[p])
      .filter(Boolean).map(figureOf));
    return part;
  }));
  $('compare-json').textContent = json;
  $('compare').hidden = false;
  $('compare').focus();
  $('compare').scrollIntoView({ block: 'start' });
}

/** Takes the comparison off the screen when it is not of the takes that are marked. */
function forgetComparison() {
  if (compared && compared.before === sideTake('before') && compared.after === sideTake('after')) return;
  compared = null;
  $('compare').hidden = true;
  $('compare-json').textContent = '';
}

// --------------------------------------------------------------------------------------- start

translate();
startWorker();
offerLayouts();
store.open().then(showTakes);
if (!mayListen()) {
  say('trouble_insecure');
  $('listen').classList.remove('primary');
  $('choose').classList.add('primary');
}

$('cylinders').addEventListener('input', offerLayouts);
$('cylinders').addEventListener('change', () => {
  $('cylinders').value = fitCylinders();
  offerLayouts();
});
for (const [id, step] of [['fewer', -1], ['more', 1]]) {
  $(id).onclick = () => {
    $('cylinders').value = Math.min(16, Math.max(1, fitCylinders() + step));
    offerLayouts();
  };
}
$('layout').onchange = () => {
  showOwn();
  if ($('layout').value === 'own') $('strokes').focus();
};
$('listen').onclick = listen;
$('stop').onclick = stopMicrophone;
$('cancel').onclick = cancel;
$('recording').onchange = () => {
  const file = $('recording').files[0];
  hearFile(file).then(() => { $('recording').value = ''; });
};
document.addEventListener('dragover', (event) => event.preventDefault());
document.addEventListener('drop', (event) => {
  event.preventDefault();
  if (event.dataTransfer.files[0] && !microphone) hearFile(event.dataTransfer.files[0]);
});
$('save-sound').onclick = saveSound;
$('save-json').onclick = () => save(asBlob(`${shown.json}\n`, 'application/json'), `${stem(shown.name)}.json`);
$('save-compare').onclick = () => save(asBlob(`${$('compare-json').textContent}\n`, 'application/json'),
  `${stem(compared.before.name)}-${stem(compared.after.name)}.json`);
$('save-report').onclick = () => save(asBlob(shown.report, 'text/html'), `${stem(shown.name)}.html`);
$('save-events').onclick = () => save(asBlob(shown.events, 'text/csv'), `${stem(shown.name)}.csv`);
$('share').onclick = share;
$('again').onclick = () => {
  window.scrollTo(0, 0);
  $('listen').focus();
};
$('delete-all').onclick = async () => {
  if (!window.confirm(t('delete_sure'))) return;
  await store.clear();
  showTakes();
};
