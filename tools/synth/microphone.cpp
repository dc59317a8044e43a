// A recorder's chain: overload, high-pass, noise gate, gain control, clipping, band limit, rate.
#include <algorithm>
#include <cmath>
#include <complex>
#include <kissfft/kissfft.hh>
#include <numbers>

#include "random.hpp"
#include "render.hpp"

namespace pipebeat::synth {

namespace {

double loudest(const Signal& x, double share) {
  Signal magnitude(x.size());
  std::transform(x.begin(), x.end(), magnitude.begin(), [](double v) { return std::abs(v); });
  const auto keep = static_cast<std::size_t>((1.0 - share) * static_cast<double>(x.size() - 1));
  std::nth_element(magnitude.begin(), magnitude.begin() + static_cast<std::ptrdiff_t>(keep),
                   magnitude.end());
  return magnitude[keep];
}

void add_reverb(Signal& x, double amount, double rate, std::uint64_t seed) {
  Random random{seed, 50};
  Signal wet(x.size(), 0.0);
  for (int comb = 0; comb < 4; ++comb) {
    Pipe room{random.uniform(0.017, 0.047), 0.35 + 0.4 * amount, 2500.0, rate};
    for (std::size_t i = 0; i < x.size(); ++i) wet[i] += room(x[i]) - x[i];
  }
  for (std::size_t i = 0; i < x.size(); ++i) x[i] += amount * wet[i];
}

/// Spectral gating: bins near their own quiet level are pushed down by `depth_db`.
void spectral_gate(Signal& x, double depth_db, double rate) {
  constexpr std::size_t size = 512;
  constexpr std::size_t hop = size / 2;
  if (x.size() < 2 * size) return;
  const kissfft<double> forward{size, false};
  const kissfft<double> backward{size, true};
  std::vector<std::complex<double>> frame(size), spectrum(size);
  Signal quiet(hop + 1, 0.0), gain(hop + 1, 1.0), out(x.size(), 0.0), window(size);
  for (std::size_t i = 0; i < size; ++i) {
    window[i] =
        std::sin(std::numbers::pi * (static_cast<double>(i) + 0.5) / static_cast<double>(size));
  }
  const double lowest = std::pow(10.0, -depth_db / 20.0);
  const double creep =
      std::exp(static_cast<double>(hop) / rate / 3.0);  // the quiet level rises slowly
  for (std::size_t start = 0; start + size <= x.size(); start += hop) {
    for (std::size_t i = 0; i < size; ++i) frame[i] = window[i] * x[start + i];
    forward.transform(frame.data(), spectrum.data());
    for (std::size_t k = 0; k <= hop; ++k) {
      const double power = std::norm(spectrum[k]);
      quiet[k] = start == 0 ? power
                            : std::min(power * 0.05 + quiet[k] * 0.95 * creep,
                                       std::max(power, quiet[k] * creep));
      const double wanted = power > 3.0 * quiet[k] ? 1.0 : lowest;
      gain[k] += 0.5 * (wanted - gain[k]);
      spectrum[k] *= gain[k];
      if (k > 0 && k < hop) spectrum[size - k] = std::conj(spectrum[k]);
    }
    backward.transform(spectrum.data(), frame.data());
    for (std::size_t i = 0; i < size; ++i)
      out[start + i] += window[i] * frame[i].real() / static_cast<double>(size);
  }
  x = std::move(out);
}

/// Levelling with a quick attack: between exhaust pulses the gain comes up, so it pumps.
void gain_control(Signal& x, double amount, double rate) {
  const double attack = 1.0 - std::exp(-1.0 / (0.006 * rate));
  const double release = 1.0 - std::exp(-1.0 / (0.16 * rate));
  const double usual = std::max(1e-9, rms(x));
  double level = usual;
  for (double& v : x) {
    const double now = std::abs(v) * 1.25;
    level += (now > level ? attack : release) * (now - level);
    v *= std::pow(usual / std::max(level, 0.02 * usual), amount);
  }
}

}  // namespace

int inner_rate(const Microphone& mic) { return mic.rate_hz % 11025 == 0 ? 44100 : 48000; }

Signal through_microphone(Signal x, const Microphone& mic, double rate, std::uint64_t seed) {
  if (mic.reverb > 0.0) add_reverb(x, mic.reverb, rate, seed);
  if (mic.square_law > 0.0) {
    const double full = std::max(1e-12, loudest(x, 0.001));
    for (double& v : x) {
      const double u = v / full;
      v = full * std::tanh(u + mic.square_law * u * u);
    }
  }
  highpass(x, mic.highpass_hz, mic.highpass_order, rate);
  if (mic.gate_db > 0.0) spectral_gate(x, mic.gate_db, rate);
  if (mic.agc > 0.0) gain_control(x, mic.agc, rate);
  // Dropped behind the band limit, as the converter's own filter does.
  bandlimit(x, mic.bandlimit_hz > 0.0 ? mic.bandlimit_hz : 0.46 * mic.rate_hz, rate);
  x = decimated(x, static_cast<int>(std::lround(rate)) / mic.rate_hz);
  const double reference = loudest(x, mic.clip_share > 0.0 ? mic.clip_share : 0.001);
  const double gain = mic.fixed_gain > 0.0   ? mic.fixed_gain
                      : reference <= 0.0       ? 1.0
                      : mic.clip_share > 0.0 ? 1.0 / reference
                                             : std::pow(10.0, mic.level_dbfs / 20.0) / reference;
  for (double& v : x) {
    v *= gain;
    if (mic.soft_clip > 0.0) {
      const double drive = 1.0 + 2.0 * mic.soft_clip;
      v = std::tanh(drive * v) / std::tanh(drive);
    }
    v = std::clamp(v, -1.0, 1.0);
  }
  return x;
}

}  // namespace pipebeat::synth
