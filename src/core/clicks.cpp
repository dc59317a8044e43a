#include "pipebeat/clicks.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

#include "core/statistics.hpp"

namespace pipebeat {

namespace {

constexpr double frame_s = 0.001;
constexpr double band_hz = 1500.0;     // needle clicks ring above, combustion thuds below
constexpr double audible_db = 6.0;     // over the floor
constexpr double strongest_db = 30.0;  // beyond, louder counts no more
constexpr double guess_reach = 0.15;
constexpr double swing = 0.08;         // change of the cycle's length from one cycle to the next
constexpr double swing_spread = 0.02;
constexpr double swing_cost_db = 3.0;
constexpr double apart_s = 0.008;      // opening and closing of one injection count as one click
constexpr std::int64_t fewest_cycles = 8;

constexpr double silent_db = -14.0;  // against the neighbours: what comes through the rail
constexpr double weak_db = -6.0;
constexpr double missing_silent = 0.9;

/// Level in dB of full scale per millisecond, above `band_hz`.
std::vector<double> frame_levels(std::span<const float> samples, double rate) {
  // Two second-order high-passes; coefficients after R. Bristow-Johnson, "Audio EQ Cookbook".
  const double w = 2.0 * std::numbers::pi * std::min(band_hz, 0.3 * rate) / rate;
  const double alpha = std::sin(w) / std::numbers::sqrt2;
  const double a0 = 1.0 + alpha;
  const double b0 = 0.5 * (1.0 + std::cos(w)) / a0;
  const double b1 = -(1.0 + std::cos(w)) / a0;
  const double a1 = -2.0 * std::cos(w) / a0;
  const double a2 = (1.0 - alpha) / a0;
  double s[2][2] = {{0.0, 0.0}, {0.0, 0.0}};
  std::vector<double> levels;
  double power = 0.0;
  double count = 0.0;
  double next = frame_s * rate;
  for (std::size_t i = 0; i < samples.size(); ++i) {
    double x = std::isfinite(samples[i]) ? static_cast<double>(samples[i]) : 0.0;
    for (auto& z : s) {
      const double y = b0 * x + z[0];
      z[0] = b1 * x - a1 * y + z[1];
      z[1] = b0 * x - a2 * y;
      x = y;
    }
    power += x * x;
    count += 1.0;
    if (static_cast<double>(i + 1) >= next) {
      levels.push_back(10.0 * std::log10(power / count + 1e-12));
      power = count = 0.0;
      next += frame_s * rate;
    }
  }
  return levels;
}

/// How far each frame stands over the usual level around it, 0..strongest_db.
std::vector<double> strengths(const std::vector<double>& level, double period) {
  std::vector<double> out(level.size(), 0.0);
  const auto reach = static_cast<std::size_t>(std::max(period, 60.0));
  std::vector<double> near;
  double floor = 0.0;
  for (std::size_t i = 0; i < level.size(); ++i) {
    if (i % 16 == 0) {  // the floor moves slowly
      const auto from = level.begin() + static_cast<std::ptrdiff_t>(i > reach ? i - reach : 0);
      const auto to = level.begin() + static_cast<std::ptrdiff_t>(std::min(level.size(), i + reach));
      near.assign(from, to);
      floor = core::median(near);
    }
    out[i] = std::clamp(level[i] - floor, 0.0, strongest_db);
  }
  return out;
}

/// One frame for each cycle.
struct Path {
  std::vector<std::size_t> frames;
  double score = 0.0;  ///< mean strength of a frame, less what uneven spacing costs
};

/// The path whose frames are strong and about a period apart (Viterbi). `period`: for every frame, of the
/// cycle that ends there. `spread`: relative deviation of a cycle's length that costs `swing_cost_db`.
Path follow(const std::vector<double>& strength, const std::vector<double>& period, double spread) {
  const double longest = *std::max_element(period.begin(), period.end());
  const auto farthest_of_all = static_cast<std::ptrdiff_t>(std::ceil(longest * (1.0 + swing)));
  const auto n = static_cast<std::ptrdiff_t>(strength.size());
  std::vector<double> score(strength.size());
  std::vector<std::ptrdiff_t> from(strength.size(), -1);
  for (std::ptrdiff_t i = 0; i < n; ++i) {
    const double usual = period[static_cast<std::size_t>(i)];
    const auto nearest = static_cast<std::ptrdiff_t>(std::floor(usual * (1.0 - swing)));
    const auto farthest = static_cast<std::ptrdiff_t>(std::ceil(usual * (1.0 + swing)));
    double best = 0.0;
    if (i >= farthest) best = -std::numeric_limits<double>::infinity();
    for (std::ptrdiff_t d = nearest; d <= farthest && d <= i; ++d) {
      const double odd = (static_cast<double>(d) / usual - 1.0) / spread;
      const double s = score[static_cast<std::size_t>(i - d)] - swing_cost_db * odd * odd;
      if (s > best) {
        best = s;
        from[static_cast<std::size_t>(i)] = i - d;
      }
    }
    score[static_cast<std::size_t>(i)] = best + strength[static_cast<std::size_t>(i)];
  }
  std::ptrdiff_t at = n - 1;
  for (std::ptrdiff_t i = std::max<std::ptrdiff_t>(0, n - farthest_of_all); i < n; ++i) {
    if (score[static_cast<std::size_t>(i)] > score[static_cast<std::size_t>(at)]) at = i;
  }
  Path path;
  const double total = score[static_cast<std::size_t>(at)];
  for (; at >= 0; at = from[static_cast<std::size_t>(at)]) {
    path.frames.push_back(static_cast<std::size_t>(at));
  }
  std::reverse(path.frames.begin(), path.frames.end());
  path.score = total / static_cast<double>(path.frames.size());
  return path;
}

/// The usual length of the cycle around every frame: an idle wanders by more than its cycles differ.
std::vector<double> periods_around(const Path& path, std::size_t frames) {
  constexpr std::size_t reach = 4;  // cycles
  std::vector<double> lengths;
  for (std::size_t i = 1; i < path.frames.size(); ++i) {
    lengths.push_back(static_cast<double>(path.frames[i] - path.frames[i - 1]));
  }
  std::vector<double> out(frames);
  std::size_t cycle = 0;
  for (std::size_t f = 0; f < frames; ++f) {
    while (cycle + 1 < lengths.size() && path.frames[cycle + 1] < f) ++cycle;
    const auto low = lengths.begin() + static_cast<std::ptrdiff_t>(cycle - std::min(cycle, reach));
    const auto high = lengths.begin() + static_cast<std::ptrdiff_t>(std::min(lengths.size(), cycle + reach + 1));
    out[f] = core::median({low, high});
  }
  return out;
}

/// Tries periods all over the guess's reach, then follows the best one more closely.
Path best_path(const std::vector<double>& strength, double guess) {
  constexpr int steps = 15;
  Path best;
  for (int step = 0; step <= steps; ++step) {
    const double off = guess_reach * (2.0 * step / steps - 1.0);
    const std::vector<double> period(strength.size(), guess * (1.0 + off));
    Path path = follow(strength, period, 2.0 * swing_spread);
    if (path.score > best.score) best = std::move(path);
  }
  if (best.frames.size() < 3) return best;
  return follow(strength, periods_around(best, strength.size()), swing_spread);
}

/// Clicks at least `threshold` strong, those close together counted once.
std::int64_t clicks_above(const std::vector<double>& strength, double threshold, std::size_t from,
                          std::size_t to) {
  const auto apart = static_cast<std::size_t>(apart_s / frame_s);
  std::int64_t count = 0;
  for (std::size_t i = from; i < to; ++i) {
    if (strength[i] < threshold) continue;
    ++count;
    i += apart;
  }
  return count;
}

}  // namespace

Result<ClickTrack> follow_clicks(std::span<const float> samples, Hertz sample_rate, Hertz cycle_guess) {
  const double rate = sample_rate.value();
  if (!(rate >= 4000.0 && rate <= 400'000.0)) {
    return fail(ErrorCode::bad_argument, "the sample rate is outside 4 to 400 kHz",
                "record at 44.1 or 48 kHz");
  }
  if (!(cycle_guess.value() >= 1.0 && cycle_guess.value() <= 150.0)) {
    return fail(ErrorCode::bad_argument, "no engine idles at that speed", "give --rpm as the rev counter shows it");
  }
  ClickTrack track;
  track.duration_s = static_cast<double>(samples.size()) / rate;
  const double guess = 1.0 / (cycle_guess.value() * frame_s);
  const std::vector<double> level = frame_levels(samples, rate);
  if (static_cast<double>(level.size()) < 4.0 * guess) return track;
  const std::vector<double> strength = strengths(level, guess);
  const std::vector<std::size_t> path = best_path(strength, guess).frames;
  if (path.size() < 2) return track;
  std::vector<double> heard;
  std::vector<double> loud;
  for (std::size_t i : path) {
    // The click's loudest frame may lie beside the path's.
    const std::size_t a = i > 1 ? i - 2 : 0;
    const std::size_t b = std::min(level.size(), i + 3);
    const auto top = std::max_element(strength.begin() + static_cast<std::ptrdiff_t>(a),
                                      strength.begin() + static_cast<std::ptrdiff_t>(b));
    heard.push_back(*top);
    loud.push_back(level[static_cast<std::size_t>(top - strength.begin())]);
  }
  std::vector<double> sorted = heard;
  std::sort(sorted.begin(), sorted.end());
  // Up to four fifths may be missed: the upper tenth tells what a click is like.
  const double own = sorted[sorted.size() - 1 - sorted.size() / 10];
  if (own < audible_db) return track;
  const double threshold = std::max(audible_db, own - 8.0);
  // The path may reach beyond the first and the last click.
  std::size_t first = 0;
  std::size_t last = heard.size() - 1;
  while (heard[first] < threshold) ++first;
  while (heard[last] < threshold) --last;
  std::vector<double> present;
  for (std::size_t i = first; i <= last; ++i) {
    if (heard[i] >= threshold) present.push_back(loud[i]);
  }
  track.cycle_hz = static_cast<double>(path.size() - 1) /
                   (frame_s * static_cast<double>(path.back() - path.front()));
  track.cycles = static_cast<std::int64_t>(last - first + 1);
  track.missed = track.cycles - static_cast<std::int64_t>(present.size());
  track.level_db = core::median(present);
  track.over_noise_db = own;
  track.clicks_per_cycle = static_cast<double>(clicks_above(strength, std::max(audible_db, own - 6.0),
                                                            path.front(), path.back())) /
                           static_cast<double>(path.size() - 1);
  return track;
}

std::string_view to_string(InjectorState state) {
  switch (state) {
    case InjectorState::clicking: return "clicking";
    case InjectorState::weak: return "weak";
    case InjectorState::silent: return "silent";
    case InjectorState::unclear: return "unclear";
  }
  return "unclear";
}

std::vector<InjectorFinding> judge_injectors(std::span<const InjectorRecording> recordings) {
  std::vector<InjectorFinding> out;
  for (const InjectorRecording& r : recordings) {
    InjectorFinding f;
    f.cylinder = r.cylinder;
    const auto say = [&](InjectorState state, InjectorReason reason, double value = 0.0) {
      f.state = state;
      f.reason = reason;
      f.value = value;
    };
    std::vector<double> others;
    for (const InjectorRecording& o : recordings) {
      if (&o != &r && o.track.level_db) others.push_back(*o.track.level_db);
    }
    const ClickTrack& t = r.track;
    if (t.level_db && !others.empty()) {
      // The upper median: with half of the injectors dead the others still set the measure.
      std::sort(others.begin(), others.end());
      f.level_db = *t.level_db - others[others.size() / 2];
    }
    const double missed = t.cycles > 0 ? static_cast<double>(t.missed) / static_cast<double>(t.cycles) : 0.0;
    if (t.cycle_hz) {
      f.clicks_per_cycle = t.clicks_per_cycle;
      f.missed_ratio = missed;
    }
    if (t.cycle_hz && t.cycles < fewest_cycles) {
      say(InjectorState::unclear, InjectorReason::too_short, static_cast<double>(t.cycles));
    } else if (!t.cycle_hz && t.duration_s < 1.0) {
      say(InjectorState::unclear, InjectorReason::too_short, 0.0);
    } else if (!t.cycle_hz) {
      f.clicks_per_cycle = 0.0;
      f.missed_ratio = 1.0;
      say(InjectorState::silent, InjectorReason::nothing_repeats);
    } else if (f.level_db && *f.level_db < silent_db) {
      say(InjectorState::silent, InjectorReason::neighbours_only, *f.level_db);
    } else if (missed > missing_silent) {
      say(InjectorState::silent, InjectorReason::misses_clicks, missed);
    } else if (f.level_db && *f.level_db < weak_db) {
      say(InjectorState::weak, InjectorReason::softer, *f.level_db);
    } else if (t.clicks_per_cycle > 2.6 || t.clicks_per_cycle < 0.3) {
      say(InjectorState::unclear, InjectorReason::odd_rate, t.clicks_per_cycle);
    } else if (missed > 0.02) {
      say(InjectorState::clicking, InjectorReason::misses_clicks, missed);
    } else if (t.clicks_per_cycle > 1.5) {
      say(InjectorState::clicking, InjectorReason::twice_a_cycle);
    } else {
      say(InjectorState::clicking, InjectorReason::once_a_cycle);
    }
    out.push_back(f);
  }
  // Where no injector clicks at all the probe touched nothing, or recorded nothing.
  const bool none_clicks = std::all_of(out.begin(), out.end(), [](const InjectorFinding& f) {
    return f.state == InjectorState::silent && f.reason == InjectorReason::nothing_repeats;
  });
  for (InjectorFinding& f : out) {
    if (none_clicks) f.state = InjectorState::unclear;
  }
  return out;
}

}  // namespace pipebeat
