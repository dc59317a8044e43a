// A made-up engine for tests of the core: thumps whose truth is known.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <functional>
#include <numbers>
#include <random>
#include <vector>

inline constexpr double rate = 16000.0;  // Hz
inline constexpr double pi = std::numbers::pi;

/// Decaying thumps of a four with a little hiss that follows them. `rpm`: speed at a time;
/// `strength`: of event n (0, 1, 2, ...), 1 for a fired one, below 0 for one that draws gas in.
inline std::vector<float> four_cylinders(double seconds, const std::function<double(double)>& rpm,
                                         const std::function<double(int)>& strength) {
  std::vector<float> sound(static_cast<std::size_t>(seconds * rate));
  std::mt19937 random{11};
  std::normal_distribution<float> noise{0.0F, 0.01F};
  double phase = 0.0;  // in events
  double since = 0.0;
  for (std::size_t i = 0; i < sound.size(); ++i) {
    const double step = rpm(static_cast<double>(i) / rate) / 30.0 / rate;
    since = std::floor(phase + step) > std::floor(phase) ? 0.0 : since + 1.0 / rate;
    phase += step;
    const double decay = strength(static_cast<int>(phase)) * std::exp(-since / 0.008);
    sound[i] = static_cast<float>(0.4 * decay * std::sin(2.0 * pi * 110.0 * since)) +
               noise(random) * static_cast<float>(0.5 + 3.0 * std::max(0.0, decay));
  }
  return sound;
}
