#include "pipebeat/compare.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "core/gaps.hpp"
#include "core/signature.hpp"
#include "core/statistics.hpp"

namespace pipebeat {

namespace {

// Log odds of a miss as the listener gives them, over recordings of one engine: an engine's own
// unevenness shifts all of them alike. Rounded from synthesised pairs.
constexpr double miss_score = 1.2;
constexpr double no_miss_score = -1.8;
constexpr double engine_spread = 0.9;     // shared by both sides
constexpr double recording_spread = 0.9;  // of each

constexpr double missed_before = 0.7;      // people compare because something was wrong
constexpr double still_missing = 0.4;      // repairs fail
constexpr double fresh_miss = 0.2;
constexpr double same_misses = 0.7;        // a miss that stays mostly stays the same

constexpr double sure_enough = 0.6;
constexpr double sure_enough_fixed = 0.75;  // the costlier mistake

constexpr double other_speed = 0.12;
constexpr double other_sound_db = 7.0;
constexpr double short_s = 6.0;
constexpr double noisy_db = 0.0;

/// One side as a whole.
struct Side {
  double score = 0.0;     ///< log odds of a miss
  double usable_s = 0.0;
  double rpm = 0.0;
  double snr_db = 100.0;
  double expected = 0.0;
  double missing = 0.0;
  bool counted = false;   ///< every finding on it has a verdict
  bool dead = false;
  bool any_miss = false;
  Interval judging{0.0, 0.0};
};

std::optional<Side> side_of(std::span<const Finding> findings) {
  Side side;
  double weight = 0.0;
  double low = 0.0;
  double high = 0.0;
  side.counted = true;
  for (const Finding& f : findings) {
    if (!f.miss_probability || !f.speed) continue;
    const double w = std::max(f.input.usable_s, 0.1);
    const double p = std::clamp(*f.miss_probability, 1e-3, 1.0 - 1e-3);
    side.score += w * std::log(p / (1.0 - p));
    side.rpm += w * f.speed->mean.value();
    side.usable_s += f.input.usable_s;
    side.snr_db = std::min(side.snr_db, f.input.snr_db.value_or(side.snr_db));
    weight += w;
    side.dead = side.dead || f.verdict == Verdict::dead_miss;
    side.any_miss = side.any_miss || is_miss(f.verdict);
    if (f.missing_event_ratio && f.expected_events && f.missing_event_ratio_interval) {
      const auto n = static_cast<double>(*f.expected_events);
      side.expected += n;
      side.missing += n * *f.missing_event_ratio;
      low += n * f.missing_event_ratio_interval->low;
      high += n * f.missing_event_ratio_interval->high;
    } else {
      side.counted = false;
    }
  }
  if (weight == 0.0) return std::nullopt;
  side.score /= weight;
  side.rpm /= weight;
  side.counted = side.counted && side.expected > 0.0;
  if (side.counted) side.judging = {low / side.expected, high / side.expected};
  return side;
}

/// log N(x | mean, shared and own spread) of both scores.
double log_scores(double before, double after, double mean_before, double mean_after) {
  const double s = engine_spread * engine_spread;
  const double d = s + recording_spread * recording_spread;
  const double x = before - mean_before;
  const double y = after - mean_after;
  const double determinant = d * d - s * s;
  const double square = (d * x * x - 2.0 * s * x * y + d * y * y) / determinant;
  // Student's t with 4 degrees of freedom, two dimensions.
  return -3.0 * std::log1p(0.25 * square);
}

/// Missing ratio with both kinds of uncertainty: judging errors and the engine's own chance.
struct Ratio {
  double value;
  Interval interval;
};

Ratio ratio_of(const Side& side) {
  const double value = side.missing / side.expected;
  const Interval chance = core::wilson(side.missing, side.expected);
  return {value, {std::min(chance.low, side.judging.low), std::max(chance.high, side.judging.high)}};
}

std::vector<PositionChange> aligned(const Engine& engine, const Finding& before, const Finding& after) {
  const std::size_t P = engine.positions().size();
  if (before.events.empty() || after.events.empty()) return {};
  const std::vector<double> x = core::level_row(before.events, P).level;
  const std::vector<double> y = core::level_row(after.events, P).level;
  // The position that changes most may be the repaired one: absolute, not squared, differences let
  // the others decide the turn.
  std::size_t best_turn = 0;
  double least = std::numeric_limits<double>::infinity();
  const core::GapModel model{engine};
  for (int turn : model.turns()) {
    double sum = 0.0;
    for (std::size_t j = 0; j < P; ++j) {
      sum += std::abs(x[j] - y[(j + static_cast<std::size_t>(turn)) % P]);
    }
    if (sum < least) {
      least = sum;
      best_turn = static_cast<std::size_t>(turn);
    }
  }
  std::vector<PositionChange> out;
  for (std::size_t j = 0; j < P; ++j) {
    const std::size_t k = (j + best_turn) % P;
    PositionChange c;
    c.position = static_cast<int>(j) + 1;
    c.level_before = x[j];
    c.level_after = y[k];
    if (j < before.positions.size()) c.missing_before = before.positions[j].missing_ratio;
    if (k < after.positions.size()) c.missing_after = after.positions[k].missing_ratio;
    out.push_back(c);
  }
  return out;
}

}  // namespace

std::string_view to_string(Change change) {
  switch (change) {
    case Change::fixed: return "fixed";
    case Change::improved: return "improved";
    case Change::unchanged: return "unchanged";
    case Change::worse: return "worse";
    case Change::cannot_compare: return "cannot_compare";
  }
  return "cannot_compare";
}

std::string_view to_string(CompareReasonCode code) {
  switch (code) {
    case CompareReasonCode::before_unheard: return "before_unheard";
    case CompareReasonCode::after_unheard: return "after_unheard";
    case CompareReasonCode::not_sure_enough: return "not_sure_enough";
    case CompareReasonCode::miss_gone: return "miss_gone";
    case CompareReasonCode::no_miss_in_either: return "no_miss_in_either";
    case CompareReasonCode::miss_remains: return "miss_remains";
    case CompareReasonCode::miss_appeared: return "miss_appeared";
    case CompareReasonCode::other_speed: return "other_speed";
    case CompareReasonCode::other_sound: return "other_sound";
    case CompareReasonCode::short_before: return "short_before";
    case CompareReasonCode::short_after: return "short_after";
    case CompareReasonCode::noisy_before: return "noisy_before";
    case CompareReasonCode::noisy_after: return "noisy_after";
  }
  return "not_sure_enough";
}

Comparison compare(const Engine& engine, std::span<const Finding> before,
                   std::span<const Finding> after) {
  Comparison result;
  const auto because = [&](CompareReasonCode code, double value = 0.0, double value2 = 0.0) {
    result.reasons.push_back({code, value, value2});
  };
  const auto b = side_of(before);
  const auto a = side_of(after);
  if (!b) because(CompareReasonCode::before_unheard);
  if (!a) because(CompareReasonCode::after_unheard);
  if (!b || !a) return result;
  if (!before.empty() && !after.empty()) {
    result.positions = aligned(engine, before.front(), after.front());
  }

  double same = 0.0;
  double lines_db = 0.0;
  double pairs = 0.0;
  for (const Finding& x : before) {
    for (const Finding& y : after) {
      const core::Difference d = core::difference(engine, x, y);
      same += core::log_odds_same(d);
      lines_db += d.lines_db.value_or(0.0);
      pairs += 1.0;
    }
  }
  same /= pairs;
  lines_db /= pairs;

  // Four worlds: does it miss before, does it miss after. The sound tells both by its own evenness
  // (scores) and by whether it changed at all.
  enum World { clean, appeared, gone, stayed, worlds };
  std::array<double, worlds> weight{};
  weight[clean] = std::log((1.0 - missed_before) * (1.0 - fresh_miss)) + same +
                  log_scores(b->score, a->score, no_miss_score, no_miss_score);
  weight[appeared] = std::log((1.0 - missed_before) * fresh_miss) +
                     log_scores(b->score, a->score, no_miss_score, miss_score);
  weight[gone] = std::log(missed_before * (1.0 - still_missing)) +
                 log_scores(b->score, a->score, miss_score, no_miss_score);
  weight[stayed] = std::log(missed_before * still_missing) +
                   std::log(same_misses * std::exp(same) + (1.0 - same_misses)) +
                   log_scores(b->score, a->score, miss_score, miss_score);
  const double total = core::log_sum_exp(weight);
  std::array<double, worlds> probability{};
  for (std::size_t w = 0; w < worlds; ++w) probability[w] = std::exp(weight[w] - total);
  result.gone_probability = probability[clean] + probability[gone];
  const auto best = static_cast<World>(
      std::max_element(probability.begin(), probability.end()) - probability.begin());
  const double sure = probability[best];

  const bool misses_before = best == gone || best == stayed;
  const bool misses_after = best == appeared || best == stayed;
  // Numbers only where the count and the comparison tell the same story.
  if (b->counted && a->counted && b->any_miss == misses_before && a->any_miss == misses_after) {
    const Ratio x = ratio_of(*b);
    const Ratio y = ratio_of(*a);
    result.ratio_change = y.value - x.value;
    // Hybrid score interval of a difference: R. G. Newcombe, Statistics in Medicine 17 (1998) 873,
    // method 10.
    result.ratio_change_interval =
        Interval{*result.ratio_change - std::hypot(y.value - y.interval.low, x.interval.high - x.value),
                 *result.ratio_change + std::hypot(y.interval.high - y.value, x.value - x.interval.low)};
  }
  if (a->counted && !misses_after) result.could_hide = core::wilson(0.0, a->expected).high;

  // A dead cylinder found in the recording after overrules every likelihood.
  const bool contradicted = best == gone && (a->dead || sure < sure_enough_fixed);
  if (sure < sure_enough || contradicted) {
    because(CompareReasonCode::not_sure_enough, sure);
  } else {
    result.confidence = sure;
    result.miss_after = misses_after;
    const double hide = result.could_hide.value_or(0.0);
    const double ratio_before = b->expected > 0.0 ? b->missing / b->expected : 0.0;
    const double ratio_after = a->expected > 0.0 ? a->missing / a->expected : 0.0;
    switch (best) {
      case gone:
        result.change = Change::fixed;
        because(CompareReasonCode::miss_gone, ratio_before, hide);
        break;
      case clean:
        result.change = Change::unchanged;
        because(CompareReasonCode::no_miss_in_either, 0.0, hide);
        break;
      case appeared:
        result.change = Change::worse;
        because(CompareReasonCode::miss_appeared, ratio_after);
        break;
      default:
        result.change = Change::unchanged;
        if (result.ratio_change_interval && result.ratio_change_interval->high < 0.0) {
          result.change = Change::improved;
        } else if (result.ratio_change_interval && result.ratio_change_interval->low > 0.0) {
          result.change = Change::worse;
        }
        because(CompareReasonCode::miss_remains, ratio_before, ratio_after);
    }
  }
  if (std::abs(a->rpm / b->rpm - 1.0) > other_speed) {
    because(CompareReasonCode::other_speed, b->rpm, a->rpm);
  }
  if (lines_db > other_sound_db && (best == clean || best == stayed)) {
    because(CompareReasonCode::other_sound, lines_db);
  }
  if (b->usable_s < short_s) because(CompareReasonCode::short_before, b->usable_s);
  if (a->usable_s < short_s) because(CompareReasonCode::short_after, a->usable_s);
  if (b->snr_db < noisy_db) because(CompareReasonCode::noisy_before, b->snr_db);
  if (a->snr_db < noisy_db) because(CompareReasonCode::noisy_after, a->snr_db);
  return result;
}

}  // namespace pipebeat
