// Seeded random numbers whose values don't depend on the standard library's distributions.
#pragma once

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <numbers>
#include <random>
#include <span>

namespace pipebeat::synth {

/// A stream of random numbers. Two streams of one seed with different names are independent, so
/// that another microphone, say, leaves the misses of the same scene where they were.
///
/// C++ leaves open in which order a call's arguments are evaluated: give every draw a statement of
/// its own, or another compiler makes another scene of the same seed.
class Random {
 public:
  Random(std::uint64_t seed, std::uint64_t stream)
      : engine_{mixed(mixed(seed) ^ (stream * 0x9e3779b97f4a7c15U))} {}

  /// 0 <= value < 1.
  double unit() { return static_cast<double>(engine_() >> 11U) * 0x1.0p-53; }
  double uniform(double low, double high) { return low + (high - low) * unit(); }
  /// Equally likely per octave; low > 0.
  double log_uniform(double low, double high) { return low * std::pow(high / low, unit()); }
  /// low..high, both included.
  int integer(int low, int high) {
    return low + static_cast<int>(unit() * static_cast<double>(high - low + 1));
  }
  bool chance(double probability) { return unit() < probability; }
  /// Normal, mean 0 and deviation 1. Box & Muller (1958).
  double normal() {
    if (has_spare_) {
      has_spare_ = false;
      return spare_;
    }
    const double radius = std::sqrt(-2.0 * std::log(1.0 - unit()));
    const double angle = 2.0 * std::numbers::pi * unit();
    spare_ = radius * std::sin(angle);
    has_spare_ = true;
    return radius * std::cos(angle);
  }
  /// White noise sample, deviation 1: cheaper than normal(), for audio. Sum of four uniforms.
  double noise() {
    const std::uint64_t bits = engine_();
    double sum = 0.0;
    for (unsigned shift = 0; shift < 64; shift += 16) {
      sum += static_cast<double>((bits >> shift) & 0xffffU);
    }
    return (sum * 0x1.0p-16 - 2.0) * 1.7320508075688772;
  }
  template <class T>
  const T& pick(std::span<const T> choices) {
    return choices[static_cast<std::size_t>(unit() * static_cast<double>(choices.size()))];
  }
  std::uint64_t bits() { return engine_(); }

 private:
  // SplitMix64's finaliser (Steele, Lea, Flood 2014): near seeds give unrelated streams.
  static std::uint64_t mixed(std::uint64_t x) {
    x += 0x9e3779b97f4a7c15U;
    x = (x ^ (x >> 30U)) * 0xbf58476d1ce4e5b9U;
    x = (x ^ (x >> 27U)) * 0x94d049bb133111ebU;
    return x ^ (x >> 31U);
  }

  std::mt19937_64 engine_;
  double spare_ = 0.0;
  bool has_spare_ = false;
};

}  // namespace pipebeat::synth
