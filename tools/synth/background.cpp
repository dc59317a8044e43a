// Sounds that are not the engine: behind it, or instead of it.
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <stdexcept>

#include "random.hpp"
#include "render.hpp"

namespace pipebeat::synth {

namespace {

constexpr double turn = 2.0 * std::numbers::pi;

/// Pink noise: P. Kellet's three-pole filter (music-dsp archive).
class Pink {
 public:
  double operator()(double white) {
    a_ = 0.99765 * a_ + white * 0.0990460;
    b_ = 0.96300 * b_ + white * 0.2965164;
    c_ = 0.57000 * c_ + white * 1.0526913;
    return a_ + b_ + c_ + white * 0.1848;
  }

 private:
  double a_ = 0.0, b_ = 0.0, c_ = 0.0;
};

/// Smooth random curve around 0, deviation about 1, slower than `hz`.
Signal slow_curve(Random& random, std::size_t frames, double hz, double rate) {
  Signal x(frames);
  const double every = rate / hz;
  double from = random.normal(), to = random.normal(), at = 0.0;
  for (double& v : x) {
    if (at >= every) {
      at -= every;
      from = to;
      to = random.normal();
    }
    const double u = 0.5 - 0.5 * std::cos(std::numbers::pi * at / every);
    v = from + (to - from) * u;
    at += 1.0;
  }
  return x;
}

void add_hit(Signal& x, Random& random, double rate, double start_s, double level, double hz,
             double decay_s) {
  const auto from = static_cast<std::size_t>(std::max(0.0, start_s) * rate);
  const auto to = std::min(x.size(), from + static_cast<std::size_t>(7.0 * decay_s * rate));
  const double phase = random.uniform(0.0, turn);
  for (std::size_t i = from; i < to; ++i) {
    const double t = static_cast<double>(i - from) / rate;
    const double ring = std::sin(turn * hz * t + phase) + 0.6 * std::sin(turn * 2.76 * hz * t) +
                        0.5 * random.noise();
    x[i] += level * std::exp(-t / decay_s) * ring;
  }
}

Signal pink(Random& random, std::size_t frames) {
  Signal x(frames);
  Pink filter;
  for (double& v : x) v = filter(random.noise());
  return x;
}

Signal hum(Random& random, std::size_t frames, double rate) {
  const double hz = random.chance(0.6) ? 50.0 : 60.0;
  std::array<double, 12> level{}, phase{};
  for (std::size_t k = 0; k < level.size(); ++k) {
    level[k] = std::exp(0.8 * random.normal()) / static_cast<double>(k + 1);
    phase[k] = random.uniform(0.0, turn);
  }
  Signal x(frames, 0.0);
  for (std::size_t i = 0; i < frames; ++i) {
    const double t = static_cast<double>(i) / rate;
    for (std::size_t k = 0; k < level.size(); ++k) {
      x[i] += level[k] * std::sin(turn * hz * static_cast<double>(k + 1) * t + phase[k]);
    }
    x[i] += 0.05 * random.noise();
  }
  return x;
}

Signal traffic(Random& random, std::size_t frames, double rate) {
  Signal x(frames);
  const Signal near_and_far = slow_curve(random, frames, 0.25, rate);
  OnePole rumble{180.0, rate}, tyres{1300.0, rate};
  for (std::size_t i = 0; i < frames; ++i) {
    const double white = random.noise();
    x[i] = (4.0 * rumble(white) + 1.5 * tyres(random.noise())) * std::exp(0.7 * near_and_far[i]);
  }
  return x;
}

Signal wind(Random& random, std::size_t frames, double rate) {
  Signal x(frames);
  const Signal gust = slow_curve(random, frames, 1.2, rate);
  OnePole a{60.0, rate}, b{250.0, rate}, c{1500.0, rate};
  for (std::size_t i = 0; i < frames; ++i) {
    const double white = random.noise();
    x[i] = (8.0 * a(white) + 1.5 * b(white) + 0.1 * c(white)) * std::exp(1.0 * gust[i]);
  }
  return x;
}

Signal rain(Random& random, std::size_t frames, double rate) {
  Signal x(frames);
  const double drops_per_s = random.uniform(40.0, 200.0);
  Biquad low = Biquad::highpass(900.0, 0.7, rate);
  OnePole high{6000.0, rate};
  for (double& v : x) v = 0.5 * high(low(random.noise()));
  const auto drops = static_cast<int>(drops_per_s * static_cast<double>(frames) / rate);
  for (int d = 0; d < drops; ++d) {
    const double hz = random.log_uniform(900.0, 5000.0);
    const double level = 0.5 * std::exp(0.8 * random.normal());
    const double at = random.uniform(0.0, static_cast<double>(frames) / rate);
    add_hit(x, random, rate, at, level, hz, 0.0015);
  }
  return x;
}

Signal fan(Random& random, std::size_t frames, double rate) {
  Signal x(frames);
  const double blade_hz = random.uniform(60.0, 320.0);
  const double spin_hz = blade_hz / random.integer(5, 11);
  const double tone = random.uniform(0.3, 1.5);
  OnePole high{random.uniform(600.0, 2500.0), rate};
  const Signal drift = slow_curve(random, frames, 0.4, rate);
  double phase = 0.0;
  for (std::size_t i = 0; i < frames; ++i) {
    phase += blade_hz * (1.0 + 0.004 * drift[i]) / rate;
    const double t = static_cast<double>(i) / rate;
    double tones = 0.0;
    for (int k = 1; k <= 4; ++k) tones += std::sin(turn * k * phase) / (k * k);
    x[i] = tone * tones * (1.0 + 0.15 * std::sin(turn * spin_hz * t)) + 2.0 * high(random.noise());
  }
  return x;
}

/// Glottal pulses through three formants that glide from syllable to syllable, and hisses between.
Signal speech(Random& random, std::size_t frames, double rate) {
  Signal x(frames, 0.0);
  static constexpr std::array<std::array<double, 3>, 6> vowels{{{700, 1200, 2600},
                                                                {300, 2200, 3000},
                                                                {320, 800, 2300},
                                                                {500, 1800, 2500},
                                                                {450, 1000, 2400},
                                                                {600, 1500, 2500}}};
  const double voice_hz = random.log_uniform(90.0, 230.0);
  std::size_t i = 0;
  double phase = 0.0;
  while (i < frames) {
    if (random.chance(0.18)) {
      i += static_cast<std::size_t>(random.uniform(0.15, 0.7) * rate);
      continue;
    }
    const auto length = static_cast<std::size_t>(random.uniform(0.09, 0.28) * rate);
    const auto& vowel = random.pick(std::span<const std::array<double, 3>>{vowels});
    const bool hiss = random.chance(0.22);
    const double level = std::exp(0.35 * random.normal());
    const double hz = voice_hz * random.uniform(0.8, 1.25), glide = random.uniform(-0.2, 0.15);
    Biquad f1 = Biquad::bandpass(vowel[0], 8.0, rate), f2 = Biquad::bandpass(vowel[1], 12.0, rate),
           f3 = Biquad::bandpass(vowel[2], 14.0, rate), s = Biquad::bandpass(4500.0, 1.5, rate);
    OnePole tilt{500.0, rate};
    for (std::size_t k = 0; k < length && i < frames; ++k, ++i) {
      const double u = static_cast<double>(k) / static_cast<double>(length);
      const double shape = std::sin(std::numbers::pi * u);
      phase += hz * (1.0 + glide * u) / rate;
      double source = 0.0;
      if (phase >= 1.0) {
        phase -= 1.0;
        source = 30.0;
      }
      const double voiced = tilt(source + 0.05 * random.noise());
      x[i] += level * shape *
              (hiss ? 0.35 * s(random.noise())
                    : 4.0 * f1(voiced) + 2.5 * f2(voiced) + 1.2 * f3(voiced));
    }
  }
  return x;
}

/// Bass drum, snare and chords on a steady beat.
Signal music(Random& random, std::size_t frames, double rate) {
  Signal x(frames, 0.0);
  const double beat_s = 60.0 / random.uniform(85.0, 175.0);
  const double length = static_cast<double>(frames) / rate;
  const double root = random.log_uniform(80.0, 160.0);
  static constexpr std::array<int, 4> degrees{0, 5, 7, 9};
  int beat = 0;
  for (double t = random.uniform(0.0, beat_s); t < length; t += beat_s, ++beat) {
    if (beat % 2 == 0) add_hit(x, random, rate, t, 1.2, 58.0, 0.07);
    if (beat % 2 == 1) add_hit(x, random, rate, t, 0.5, 210.0, 0.05);
    add_hit(x, random, rate, t + 0.5 * beat_s, 0.12, 7000.0, 0.012);
    const int degree = random.pick(std::span<const int>{degrees});
    const auto from = static_cast<std::size_t>(t * rate);
    const auto to = std::min(frames, from + static_cast<std::size_t>(beat_s * rate));
    for (int note : {0, 4, 7}) {
      const double hz = root * std::exp2((degree + note) / 12.0);
      for (std::size_t i = from; i < to; ++i) {
        const double s = static_cast<double>(i - from) / rate;
        const double shape = std::min(1.0, s / 0.01) * std::exp(-1.5 * s);
        x[i] += 0.22 * shape *
                (std::sin(turn * hz * s) + 0.5 * std::sin(turn * 2 * hz * s) +
                 0.25 * std::sin(turn * 3 * hz * s));
      }
    }
  }
  return x;
}

Signal hits(Random& random, std::size_t frames, double rate, double per_s, double regular,
            double hz, double decay_s) {
  Signal x(frames, 0.0);
  const double length = static_cast<double>(frames) / rate;
  double t = random.uniform(0.0, 1.0 / per_s);
  while (t < length) {
    const double pitch = hz * std::exp(0.03 * random.normal());
    const double level = std::exp(0.25 * random.normal());
    add_hit(x, random, rate, t, level, pitch, decay_s);
    const double even = 1.0 / per_s;
    const double wild = -std::log(1.0 - random.unit()) / per_s;
    t += std::max(0.01, regular * even * (1.0 + 0.02 * random.normal()) + (1.0 - regular) * wild);
  }
  for (double& v : x) v += 0.004 * random.noise();
  return x;
}

Signal motor(Random& random, std::size_t frames, double rate) {
  Signal x(frames);
  const double hz = random.log_uniform(40.0, 400.0);
  const int slots = random.integer(6, 24);
  const Signal drift = slow_curve(random, frames, 0.5, rate);
  double phase = 0.0;
  for (std::size_t i = 0; i < frames; ++i) {
    phase += hz * (1.0 + 0.01 * drift[i]) / rate;
    x[i] = 0.4 * std::sin(turn * phase) + std::sin(turn * slots * phase) +
           0.4 * std::sin(turn * 2 * slots * phase) + 0.3 * random.noise();
  }
  return x;
}

/// Blows at a steady rate, each a thud with a rattle, over what the motor behind them does: a
/// sewing machine's needle, a hammer drill. `wobble`: scatter of their distances.
Signal beating_machine(Random& random, std::size_t frames, double rate, double per_s, double wobble,
                       double thud_hz, double motor_level) {
  Signal x = motor(random, frames, rate);
  for (double& v : x) v *= motor_level;
  const double length = static_cast<double>(frames) / rate;
  const int kinds = random.integer(1, 3);  // blades or strokes that differ a little
  std::vector<double> level(static_cast<std::size_t>(kinds));
  for (double& l : level) l = std::exp(0.2 * random.normal());
  std::size_t blow = 0;
  for (double t = 0.0; t < length; t += (1.0 + wobble * random.normal()) / per_s, ++blow) {
    add_hit(x, random, rate, t, level[blow % level.size()] * std::exp(0.08 * random.normal()),
            thud_hz, 0.25 / per_s);
    add_hit(x, random, rate, t, 0.3 * std::exp(0.2 * random.normal()), 11.0 * thud_hz,
            0.06 / per_s);
  }
  return x;
}

/// Noise that swells and fades `per_s` times a second: a saw's strokes, breath, waves, a drum of
/// washing.
Signal strokes(Random& random, std::size_t frames, double rate, double per_s, double wobble,
               double hz) {
  Signal x(frames);
  Biquad band = Biquad::bandpass(hz, 0.8, rate);
  const Signal drift = slow_curve(random, frames, 0.7 * per_s, rate);
  const double sharp = random.uniform(1.0, 4.0);
  double phase = 0.0;
  for (std::size_t i = 0; i < frames; ++i) {
    phase += per_s * (1.0 + wobble * drift[i]) / rate;
    x[i] = band(random.noise()) * (0.03 + std::pow(0.5 + 0.5 * std::sin(turn * phase), sharp));
  }
  return x;
}

/// A drum that tumbles its load, or spins out of balance.
Signal washing(Random& random, std::size_t frames, double rate) {
  Signal x = motor(random, frames, rate);
  const bool spins = random.chance(0.5);
  const double hz = spins ? random.uniform(8.0, 20.0) : random.uniform(0.7, 1.2);
  const Signal load = strokes(random, frames, rate, hz, 0.02, random.uniform(150.0, 500.0));
  for (std::size_t i = 0; i < frames; ++i) {
    x[i] = 0.3 * x[i] + 2.0 * load[i];
    if (spins) x[i] += 1.5 * std::sin(turn * hz * static_cast<double>(i) / rate);
  }
  return x;
}

/// Tones that come in calls: `pulses_per_s` within a call, each gliding: birds, crickets, barks,
/// horns.
Signal calls(Random& random, std::size_t frames, double rate, double calls_per_s,
             double pulses_per_s, double hz, double glide, double roughness) {
  Signal x(frames, 0.0);
  const double length = static_cast<double>(frames) / rate;
  double phase = 0.0;
  for (double t = random.uniform(0.0, 1.0 / calls_per_s); t < length;
       t += random.uniform(0.6, 1.4) / calls_per_s) {
    const int pulses = random.integer(1, 6);
    for (int k = 0; k < pulses; ++k) {
      const double start = t + k / pulses_per_s;
      const double long_s = 0.6 / pulses_per_s;
      const auto from = static_cast<std::size_t>(start * rate);
      const auto to = std::min(frames, static_cast<std::size_t>((start + long_s) * rate));
      for (std::size_t i = from; i < to; ++i) {
        const double u = static_cast<double>(i - from) / (long_s * rate);
        phase += hz * (1.0 + glide * u) / rate;
        const double tone = std::sin(turn * phase) + 0.5 * std::sin(2.0 * turn * phase) +
                            0.3 * std::sin(3.0 * turn * phase);
        x[i] += std::sin(std::numbers::pi * u) *
                (tone * (1.0 - roughness) + roughness * random.noise());
      }
    }
  }
  for (double& v : x) v += 0.01 * random.noise();
  return x;
}

/// Snores: a flutter of the palate inside every breath.
Signal snore(Random& random, std::size_t frames, double rate) {
  const double throat_hz = random.uniform(200.0, 500.0);
  const double breaths_per_s = random.uniform(0.2, 0.35);
  Signal x = strokes(random, frames, rate, breaths_per_s, 0.05, throat_hz);
  const double flutter_hz = random.uniform(25.0, 70.0);
  const Signal drift = slow_curve(random, frames, 1.5, rate);
  double phase = 0.0;
  for (std::size_t i = 0; i < frames; ++i) {
    phase += flutter_hz * (1.0 + 0.06 * drift[i]) / rate;
    x[i] *= std::pow(0.5 + 0.5 * std::sin(turn * phase), 3.0);
  }
  return x;
}

/// Wheels over rail joints: two blows a bogie, two bogies a carriage.
Signal train(Random& random, std::size_t frames, double rate) {
  Signal x = traffic(random, frames, rate);
  for (double& v : x) v *= 0.15;
  const double period = random.uniform(0.8, 2.2);
  const double length = static_cast<double>(frames) / rate;
  const double hz = random.uniform(90.0, 400.0);
  for (double t = random.uniform(0.0, period); t < length; t += period) {
    for (const double part : {0.0, 0.13, 0.42, 0.55})
      add_hit(x, random, rate, t + part * period, std::exp(0.15 * random.normal()), hz, 0.03);
  }
  return x;
}

Signal second_engine(Random& random, std::size_t frames, double rate) {
  static constexpr std::array<std::string_view, 5> layouts{"inline4", "inline6", "v6", "inline3",
                                                           "diesel4"};
  Scene other;
  other.seed = random.bits();
  other.duration_s = static_cast<double>(frames) / rate;
  other.engine.seed = random.bits();
  other.engine.layout = random.pick(std::span<const std::string_view>{layouts});
  other.profile = random.chance(0.7) ? "idle" : "updown";
  other.view = random.chance(0.5) ? "beside" : "tailpipe";
  const Engine layout = engine_of(other.engine);
  Signal x = engine_sound(other, layout, run_crank(other, layout), rate);
  x.resize(frames, 0.0);
  return x;
}

Signal sound_of(const std::string& kind, Random& random, std::size_t frames, double rate) {
  if (kind == "pink") return pink(random, frames);
  if (kind == "silence") return pink(random, frames);
  if (kind == "hum") return hum(random, frames, rate);
  if (kind == "traffic") return traffic(random, frames, rate);
  if (kind == "wind") return wind(random, frames, rate);
  if (kind == "rain") return rain(random, frames, rate);
  if (kind == "fan") return fan(random, frames, rate);
  if (kind == "speech") return speech(random, frames, rate);
  if (kind == "music") return music(random, frames, rate);
  if (kind == "bursts")
    return hits(random, frames, rate, 1.2, 0.0, random.log_uniform(200.0, 1500.0), 0.03);
  if (kind == "knock") {
    const double hz = random.log_uniform(150.0, 900.0);
    const double per_s = random.uniform(0.7, 3.0);
    return hits(random, frames, rate, per_s, 0.0, hz, 0.03);
  }
  if (kind == "hammer") {
    const double hz = random.log_uniform(200.0, 2500.0);
    const double per_s = random.uniform(2.0, 8.0);
    return hits(random, frames, rate, per_s, 0.98, hz, 0.02);
  }
  if (kind == "footsteps") {
    const double hz = random.uniform(80.0, 200.0);
    const double per_s = random.uniform(1.5, 2.2);
    return hits(random, frames, rate, per_s, 0.9, hz, 0.02);
  }
  if (kind == "clock") {
    const double hz = random.uniform(2500.0, 5000.0);
    const double per_s = random.chance(0.5) ? 4.0 : 5.0;
    return hits(random, frames, rate, per_s, 1.0, hz, 0.003);
  }
  if (kind == "emotor") return motor(random, frames, rate);
  if (kind == "sewing") {
    const double motor_level = random.uniform(0.1, 0.6);
    const double thud_hz = random.uniform(150.0, 600.0);
    const double per_s = random.uniform(6.0, 16.0);
    return beating_machine(random, frames, rate, per_s, 0.01, thud_hz, motor_level);
  }
  if (kind == "hammer-drill") {
    const double motor_level = random.uniform(0.2, 0.8);
    const double thud_hz = random.uniform(150.0, 500.0);
    const double per_s = random.uniform(25.0, 60.0);
    return beating_machine(random, frames, rate, per_s, 0.02, thud_hz, motor_level);
  }
  if (kind == "washing") return washing(random, frames, rate);
  if (kind == "saw") {
    const double hz = random.log_uniform(500.0, 2500.0);
    const double per_s = random.uniform(1.5, 4.5);
    return strokes(random, frames, rate, per_s, 0.08, hz);
  }
  if (kind == "waves") {
    const double hz = random.log_uniform(200.0, 800.0);
    const double per_s = random.uniform(0.1, 0.3);
    return strokes(random, frames, rate, per_s, 0.2, hz);
  }
  if (kind == "breath") {
    const double hz = random.log_uniform(400.0, 2000.0);
    const double per_s = random.uniform(0.25, 0.8);
    return strokes(random, frames, rate, per_s, 0.1, hz);
  }
  if (kind == "snore") return snore(random, frames, rate);
  if (kind == "train") return train(random, frames, rate);
  if (kind == "barks") {
    const double hz = random.log_uniform(250.0, 900.0);
    const double pulses_per_s = random.uniform(2.0, 4.0);
    const double calls_per_s = random.uniform(0.4, 1.2);
    return calls(random, frames, rate, calls_per_s, pulses_per_s, hz, -0.25, 0.35);
  }
  if (kind == "birds") {
    const double glide = random.uniform(-0.3, 0.3);
    const double hz = random.log_uniform(1800.0, 5000.0);
    const double pulses_per_s = random.uniform(4.0, 15.0);
    const double calls_per_s = random.uniform(0.5, 2.0);
    return calls(random, frames, rate, calls_per_s, pulses_per_s, hz, glide, 0.05);
  }
  if (kind == "crickets") {
    const double hz = random.uniform(3500.0, 6000.0);
    const double pulses_per_s = random.uniform(20.0, 45.0);
    const double calls_per_s = random.uniform(2.0, 5.0);
    return calls(random, frames, rate, calls_per_s, pulses_per_s, hz, 0.0, 0.1);
  }
  if (kind == "frogs") {
    const double hz = random.log_uniform(300.0, 1500.0);
    const double pulses_per_s = random.uniform(15.0, 40.0);
    const double calls_per_s = random.uniform(0.8, 2.0);
    return calls(random, frames, rate, calls_per_s, pulses_per_s, hz, 0.0, 0.3);
  }
  if (kind == "siren") {
    const double hz = random.uniform(400.0, 900.0);
    const double pulses_per_s = random.uniform(0.3, 1.5);
    return calls(random, frames, rate, 0.2, pulses_per_s, hz, 0.6, 0.0);
  }
  if (kind == "applause") {
    const double hz = random.uniform(600.0, 1800.0);
    const double per_s = random.uniform(30.0, 120.0);
    return hits(random, frames, rate, per_s, 0.1, hz, 0.004);
  }
  if (kind == "crackle") {
    const double hz = random.log_uniform(800.0, 4000.0);
    const double per_s = random.uniform(6.0, 30.0);
    return hits(random, frames, rate, per_s, 0.0, hz, 0.002);
  }
  if (kind == "typing") {
    const double hz = random.log_uniform(700.0, 3000.0);
    const double per_s = random.uniform(4.0, 9.0);
    return hits(random, frames, rate, per_s, 0.6, hz, 0.006);
  }
  if (kind == "engine") return second_engine(random, frames, rate);
  throw std::invalid_argument("background \"" + kind + "\" is unknown");
}

}  // namespace

Signal background_sound(const std::string& kind, std::uint64_t seed, std::size_t frames,
                        double rate) {
  Random random{seed, 40};
  Signal x = sound_of(kind, random, frames, rate);
  const double level = rms(x);
  if (level > 0.0) {
    for (double& v : x) v /= level;
  }
  return x;
}

}  // namespace pipebeat::synth
