// The microphone chain against formulas.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "random.hpp"
#include "render.hpp"

using namespace pipebeat::synth;

namespace {

Signal sine(double hz, double rate, double seconds) {
  Signal x(static_cast<std::size_t>(seconds * rate));
  for (std::size_t i = 0; i < x.size(); ++i) {
    x[i] = std::sin(2.0 * std::numbers::pi * hz * static_cast<double>(i) / rate);
  }
  return x;
}

double decibels(double ratio) { return 20.0 * std::log10(ratio); }

/// Level of the middle, where filters have settled, in dB over a full sine.
double settled_db(const Signal& x) {
  const auto quarter = static_cast<std::ptrdiff_t>(x.size() / 4);
  return decibels(rms(Signal(x.begin() + 2 * quarter, x.begin() + 3 * quarter)) *
                  std::numbers::sqrt2);
}

Signal noise(std::size_t frames, double level, std::uint64_t seed) {
  Random random{seed, 1};
  Signal x(frames);
  for (double& v : x) v = level * random.normal();
  return x;
}

}  // namespace

TEST_CASE("random numbers have the moments they claim") {
  const Signal x = noise(200000, 1.0, 8);
  double mean = 0.0;
  for (double v : x) mean += v / static_cast<double>(x.size());
  CHECK(std::abs(mean) < 0.01);  // four deviations
  CHECK(std::abs(rms(x) - 1.0) < 0.01);
  Random random{8, 2};
  double squares = 0.0;
  for (int i = 0; i < 200000; ++i) {
    const double v = random.noise();
    squares += v * v / 200000.0;
  }
  CHECK(std::abs(squares - 1.0) < 0.01);
}

TEST_CASE("high-pass falls as a Butterworth of its order does") {
  // |H|^2 = 1 / (1 + (corner / f)^(2 n)); S. Butterworth (1930), from memory.
  for (int order : {1, 2}) {
    for (double hz : {50.0, 100.0, 200.0, 400.0}) {
      CAPTURE(order);
      CAPTURE(hz);
      Signal x = sine(hz, 48000, 1.0);
      highpass(x, 200.0, order, 48000);
      CHECK(std::abs(settled_db(x) + 10.0 * std::log10(1.0 + std::pow(200.0 / hz, 2 * order))) <
            0.3);
    }
  }
}

TEST_CASE("band limit and change of rate keep what belongs and fold nothing back") {
  CHECK(std::abs(settled_db(decimated(sine(1000, 48000, 1.0), 3))) < 0.05);
  CHECK(settled_db(decimated(sine(11000, 48000, 1.0), 3)) < -70.0);
  Signal x = sine(12000, 48000, 1.0);
  bandlimit(x, 7000, 48000);
  CHECK(settled_db(x) < -35.0);
}

TEST_CASE("clipping cuts the share that was asked for") {
  Microphone mic;
  mic.clip_share = 0.1;
  const Signal y = through_microphone(noise(96000, 1.0, 3), mic, 48000, 1);
  const auto clipped =
      std::count_if(y.begin(), y.end(), [](double v) { return std::abs(v) >= 0.9999; });
  CHECK(std::abs(static_cast<double>(clipped) / static_cast<double>(y.size()) - 0.1) < 0.002);
}

TEST_CASE("overload demodulates: the beat of two tones appears below them") {
  Signal x = sine(1000, 48000, 2.0);
  const Signal other = sine(1090, 48000, 2.0);
  for (std::size_t i = 0; i < x.size(); ++i) x[i] += other[i];
  const auto beat_db = [&](double square_law) {
    Microphone mic;
    mic.square_law = square_law;
    Signal y = through_microphone(x, mic, 48000, 1);
    bandlimit(y, 200, 48000);
    return settled_db(y);
  };
  CHECK(beat_db(0.5) > beat_db(0.0) + 30.0);
}

TEST_CASE("gain control levels a loud and a quiet stretch") {
  Signal x = sine(500, 48000, 4.0);
  for (std::size_t i = x.size() / 2; i < x.size(); ++i) x[i] *= 0.1;  // 20 dB down
  Microphone mic;
  mic.agc = 0.9;
  const Signal y = through_microphone(x, mic, 48000, 1);
  const Signal loud(y.begin() + 48000, y.begin() + 90000);
  const Signal quiet(y.begin() + 144000, y.begin() + 190000);
  CHECK(decibels(rms(loud) / rms(quiet)) < 3.0);
}

TEST_CASE("spectral gating pushes steady noise down and lets a burst through") {
  Signal x = noise(48000 * 4, 0.01, 4);
  for (std::size_t i = 96000; i < 100800; ++i) x[i] += std::sin(0.1 * static_cast<double>(i));
  const auto noise_under_burst_db = [&](double gate_db) {
    Microphone mic;
    mic.gate_db = gate_db;
    const Signal y = through_microphone(x, mic, 48000, 1);
    const Signal steady(y.begin() + 48000, y.begin() + 90000);
    const Signal burst(y.begin() + 97000, y.begin() + 100000);
    return decibels(rms(steady) / rms(burst));
  };
  CHECK(noise_under_burst_db(15.0) < noise_under_burst_db(0.0) - 6.0);
}

TEST_CASE("lossy coders keep length, rate and the low tones" * doctest::skip(!HAS_FFMPEG)) {
  Signal x = sine(300, 48000, 2.0);
  for (double& v : x) v *= 0.5;
  for (const char* codec : {"mp3", "aac", "opus"}) {
    for (int rate : {48000, 16000}) {
      CAPTURE(codec);
      CAPTURE(rate);
      const Signal in = decimated(x, 48000 / rate);
      const Signal y = through_codec(in, rate, codec, 32);
      CHECK(y.size() == in.size());
      CHECK(std::abs(settled_db(y) - settled_db(in)) < 1.5);
    }
  }
}
