#include "core/same_sound.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <vector>

#include "core/signals.hpp"
#include "core/statistics.hpp"

namespace pipebeat::core {

namespace {

using Line = std::complex<float>;

// A stretch of the shorter recording is looked for in the longer one. Two takes of one engine agree
// by chance, up to 1.9 over the root of the cycles (0.24 at the 64 that are held against each
// other), or, with music behind, up to 0.30 wherever the one is laid on the other. Copies of the
// van agree to 0.89 in MP3 at 32 kbit/s and to 0.40 in Opus at 8, in one place, and half as well in
// others.
constexpr std::size_t most_cycles = 64;
constexpr std::size_t fewest_cycles = 24;
constexpr double stretch = 0.75;  // of the shorter one: a copy may begin or end a little elsewhere
constexpr double enough = 3.0;    // over the root of the cycles
constexpr double stands_out = 2.0;  // the best place over the usual one
constexpr std::size_t most_lines = 18;

/// What each line changes by from one cycle to the next, [c * width + m * lines + k - 1]. The lines
/// of a cycle and signal are as strong as those of every other, or one bang in each recording would
/// be the likeness.
std::vector<Line> changes(const HeardCycles& heard, std::size_t lines) {
  std::vector<Line> out;
  for (std::size_t c = 0; c + 1 < heard.count; ++c) {
    for (std::size_t m = 0; m < signal_count; ++m) {
      const std::size_t now = (c * signal_count + m) * heard.lines;
      const std::size_t next = now + signal_count * heard.lines;
      float power = 0.0F;
      for (std::size_t k = 0; k < lines; ++k) {
        out.push_back(heard.value[next + k] - heard.value[now + k]);
        power += std::norm(out.back());
      }
      if (power == 0.0F) continue;
      for (std::size_t k = 0; k < lines; ++k) out[out.size() - 1 - k] /= std::sqrt(power);
    }
  }
  return out;
}

}  // namespace

bool same_sound(const HeardCycles& one, const HeardCycles& other) {
  const HeardCycles& few = one.count <= other.count ? one : other;
  const HeardCycles& many = one.count <= other.count ? other : one;
  if (few.count < 2) return false;
  const auto length =
      std::min(most_cycles, static_cast<std::size_t>(stretch * static_cast<double>(few.count - 1)));
  if (length < fewest_cycles) return false;
  const double wanted = enough / std::sqrt(static_cast<double>(length));

  const std::size_t lines = std::min({few.lines, many.lines, most_lines});
  const std::size_t width = signal_count * lines;
  const std::vector<Line> sought = changes(few, lines);
  const std::vector<Line> place = changes(many, lines);
  const Line* const from = sought.data() + (few.count - 1 - length) / 2 * width;
  std::vector<double> power(width, 0.0);
  for (std::size_t i = 0; i < length * width; ++i)
    power[i % width] += static_cast<double>(std::norm(from[i]));
  for (std::size_t m = 0; m < signal_count; ++m) {
    std::vector<double> agreement;  // at every place
    for (std::size_t lag = 0; lag + length < many.count; ++lag) {
      const Line* const to = place.data() + lag * width;
      agreement.push_back(0.0);
      for (std::size_t i = m * lines; i < (m + 1) * lines; ++i) {
        // Where a cycle is said to begin may differ, which turns a line by the same angle in all
        // cycles.
        Line sum{};
        float there = 0.0F;
        for (std::size_t at = i; at < length * width; at += width) {
          sum += from[at] * std::conj(to[at]);
          there += std::norm(to[at]);
        }
        const double both = power[i] * static_cast<double>(there);
        if (both > 0.0)
          agreement.back() +=
              static_cast<double>(std::abs(sum)) / std::sqrt(both) / static_cast<double>(lines);
      }
    }
    const double best = *std::max_element(agreement.begin(), agreement.end());
    if (best > wanted && best > stands_out * median(agreement)) return true;
  }
  return false;
}

}  // namespace pipebeat::core
