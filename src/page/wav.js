// WAV in and out, without holding a whole recording.

/** What a WAV's first bytes say: { rate, channels, bits, float, dataAt, dataBytes }, or null when
 *  it is no WAV that can be read in slices. Sizes that a broken-off recorder left open are taken
 *  from the file's length. IBM and Microsoft, "Multimedia Programming Interface and Data
 *  Specifications 1.0", 1991; WAVE_FORMAT_EXTENSIBLE after Microsoft's mmreg.h. */
async function readWavHeader(file) {
  const bytes = async (at, size) =>
    new DataView(await file.slice(at, Math.min(at + size, file.size)).arrayBuffer());
  const tag = (view, at) =>
    String.fromCharCode(view.getUint8(at), view.getUint8(at + 1), view.getUint8(at + 2),
      view.getUint8(at + 3));
  if (file.size < 44) return null;
  const head = await bytes(0, 12);
  if (tag(head, 0) !== 'RIFF' || tag(head, 8) !== 'WAVE') return null;
  let format = null;
  for (let at = 12; at + 8 <= file.size;) {
    const chunk = await bytes(at, 8 + 40);
    const name = tag(chunk, 0);
    const size = chunk.getUint32(4, true);
    if (name === 'fmt ' && chunk.byteLength >= 24) {
      const code = chunk.getUint16(8, true);
      const extended = code === 0xfffe && chunk.byteLength >= 8 + 26;
      const kind = extended ? chunk.getUint16(8 + 24, true) : code;
      format = {
        rate: chunk.getUint32(12, true),
        channels: chunk.getUint16(10, true),
        bits: chunk.getUint16(22, true),
        float: kind === 3,
      };
      const known = kind === 1 ? [8, 16, 24, 32] : kind === 3 ? [32, 64] : [];
      if (!known.includes(format.bits) || format.channels < 1 || format.rate < 1) return null;
    }
    if (name === 'data') {
      if (!format) return null;
      const left = file.size - at - 8;
      const whole = size === 0 || size > left ? left : size;
      const frame = format.channels * format.bits / 8;
      return { ...format, dataAt: at + 8, dataBytes: Math.floor(whole / frame) * frame };
    }
    at += 8 + size + (size % 2);
  }
  return null;
}

/** Puts interleaved samples of a slice of WAV data into `out`, full scale +-1. */
function decodeWavSlice(buffer, format, out) {
  const view = new DataView(buffer);
  const { bits } = format;
  const n = buffer.byteLength / (bits / 8);
  if (format.float && bits === 32) {
    for (let i = 0; i < n; ++i) out[i] = view.getFloat32(4 * i, true);
  } else if (format.float) {
    for (let i = 0; i < n; ++i) out[i] = view.getFloat64(8 * i, true);
  } else if (bits === 16) {
    for (let i = 0; i < n; ++i) out[i] = view.getInt16(2 * i, true) / 32768;
  } else if (bits === 24) {
    for (let i = 0; i < n; ++i) {
      out[i] = (view.getUint16(3 * i, true) | (view.getInt8(3 * i + 2) << 16)) / 8388608;
    }
  } else if (bits === 32) {
    for (let i = 0; i < n; ++i) out[i] = view.getInt32(4 * i, true) / 2147483648;
  } else {
    for (let i = 0; i < n; ++i) out[i] = (view.getUint8(i) - 128) / 128;
  }
}

/** A 16-bit WAV of one channel from Int16Array pieces. */
function wavBlob(pieces, rate) {
  const bytes = pieces.reduce((sum, piece) => sum + piece.byteLength, 0);
  const head = new DataView(new ArrayBuffer(44));
  const tag = (at, text) => [...text].forEach((c, i) => head.setUint8(at + i, c.charCodeAt(0)));
  tag(0, 'RIFF');
  head.setUint32(4, 36 + bytes, true);
  tag(8, 'WAVEfmt ');
  head.setUint32(16, 16, true);
  head.setUint16(20, 1, true);
  head.setUint16(22, 1, true);
  head.setUint32(24, rate, true);
  head.setUint32(28, rate * 2, true);
  head.setUint16(32, 2, true);
  head.setUint16(34, 16, true);
  tag(36, 'data');
  head.setUint32(40, bytes, true);
  return new Blob([head, ...pieces], { type: 'audio/wav' });
}
