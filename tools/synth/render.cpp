#include "render.hpp"

#include <sndfile.h>
#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "random.hpp"

namespace pipebeat::synth {

namespace {

Signal after_highpass(Signal x, const Microphone& mic, double rate) {
  highpass(x, mic.highpass_hz, mic.highpass_order, rate);
  return x;
}

/// Level of the stretches where there is something: a stopped engine must not raise the noise.
double working_level(const Signal& x, const CrankRun& run, double rate) {
  double sum = 0.0, count = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const auto step = static_cast<std::size_t>(static_cast<double>(i) / rate / CrankRun::step_s);
    if (!run.running.empty() && run.running[std::min(step, run.running.size() - 1)] == 0) continue;
    sum += x[i] * x[i];
    count += 1.0;
  }
  return count > 0.0 ? std::sqrt(sum / count) : rms(x);
}

}  // namespace

Recording render(const Scene& scene) {
  check(scene);
  const Microphone& mic = scene.microphone;
  const double rate = inner_rate(mic);
  const auto frames = static_cast<std::size_t>(std::lround(scene.duration_s * rate));
  Recording recording;
  recording.rate_hz = mic.rate_hz;

  Random seeds{scene.seed, 60};
  Signal sound;
  if (scene.instead.empty()) {
    const Engine layout = engine_of(scene.engine);
    recording.run = run_crank(scene, layout);
    sound = scene.contact.cylinder > 0 ? contact_sound(scene, layout, recording.run, rate)
                                       : engine_sound(scene, layout, recording.run, rate);
  } else {
    sound = background_sound(scene.instead, seeds.bits(), frames, rate);
  }
  sound.resize(frames, 0.0);
  const double level = working_level(after_highpass(sound, mic, rate), recording.run, rate);
  const auto add = [&](Signal other, double decibels) {
    const double now = rms(after_highpass(other, mic, rate));
    const double gain = now > 0.0 ? level * std::pow(10.0, decibels / 20.0) / now : 0.0;
    for (std::size_t i = 0; i < frames; ++i) sound[i] += gain * other[i];
  };
  if (!scene.background.empty()) {
    Signal mixed(frames, 0.0);
    for (const std::string& kind : scene.background) {
      const Signal one = background_sound(kind, seeds.bits(), frames, rate);
      for (std::size_t i = 0; i < frames; ++i) mixed[i] += one[i];
    }
    add(std::move(mixed), -scene.snr_db);
  }
  const std::uint64_t wind_seed = seeds.bits();
  if (scene.wind_db > -60.0) add(background_sound("wind", wind_seed, frames, rate), scene.wind_db);

  // A recorder hears itself: 60 dB under the sound.
  Random hiss{scene.seed, 61};
  const double own = 0.001 * rms(sound);
  for (double& v : sound) v += own * hiss.noise();

  Signal x = through_microphone(std::move(sound), mic, rate, seeds.bits());
  if (!mic.codec.empty()) x = through_codec(x, mic.rate_hz, mic.codec, mic.kbps);
  if (scene.instead == "silence") {
    for (double& v : x) v *= 0.01;
  }
  for (double& v : x) v = std::clamp(std::round(v * 32767.0), -32768.0, 32767.0) / 32768.0;
  recording.samples = std::move(x);
  return recording;
}

void write_audio(const std::string& path, const Recording& recording) {
  SF_INFO info{};
  info.samplerate = recording.rate_hz;
  info.channels = 1;
  info.format = (path.ends_with(".flac") ? SF_FORMAT_FLAC : SF_FORMAT_WAV) | SF_FORMAT_PCM_16;
  SNDFILE* file = sf_open(path.c_str(), SFM_WRITE, &info);
  if (file == nullptr)
    throw std::runtime_error(path + ": cannot be written (" + sf_strerror(nullptr) + ")");
  std::vector<short> pcm(recording.samples.size());
  std::transform(recording.samples.begin(), recording.samples.end(), pcm.begin(),
                 [](double v) { return static_cast<short>(std::lround(v * 32768.0)); });
  const sf_count_t written = sf_writef_short(file, pcm.data(), static_cast<sf_count_t>(pcm.size()));
  sf_close(file);
  if (written != static_cast<sf_count_t>(pcm.size()))
    throw std::runtime_error(path + ": the disk took only a part");
}

}  // namespace pipebeat::synth
