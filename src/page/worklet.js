// Runs on the audio thread: gathers the microphone's samples and hands them to the worker.
class Gatherer extends AudioWorkletProcessor {
  constructor() {
    super();
    this.size = 4096;
    this.block = new Float32Array(this.size);
    this.filled = 0;
    this.to = null;
    this.stopped = false;
    this.port.onmessage = ({ data }) => {
      if (data.port) this.to = data.port;
      if (data.stop) {
        this.send(this.filled);
        if (this.to) this.to.postMessage({ last: true });
        this.to = null;
        this.stopped = true;
      }
    };
  }

  send(count) {
    this.filled = 0;
    if (!this.to || count === 0) return;
    const samples = this.block.slice(0, count);
    this.to.postMessage({ samples }, [samples.buffer]);
  }

  process(inputs) {
    const input = inputs[0][0];
    if (input) {
      for (let at = 0; at < input.length;) {
        const take = Math.min(input.length - at, this.size - this.filled);
        this.block.set(input.subarray(at, at + take), this.filled);
        this.filled += take;
        at += take;
        if (this.filled === this.size) this.send(this.size);
      }
    }
    return !this.stopped;
  }
}
registerProcessor('gatherer', Gatherer);
