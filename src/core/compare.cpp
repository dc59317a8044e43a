#include "pipebeat/compare.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <utility>

#include "core/compare_evidence.hpp"
#include "core/gaps.hpp"
#include "core/same_sound.hpp"
#include "core/signature.hpp"
#include "core/statistics.hpp"

namespace pipebeat {

namespace {

// The worlds a pair can come from, in the order of the fitted table's columns.
enum World { clean, appeared, gone, same, less, more, worlds };

/// One number of the evidence, standardised, with its weight for every world.
struct TableRow {
  std::string_view name;
  double centre;
  double scale;
  std::array<double, worlds> weight;
};

/// Where the second factor of a product comes from.
enum class Of { itself, other_side, shared };

/// Two standardised numbers multiplied: what the first is worth depends on the second. A spread of
/// the cycles tells much where the two sides lie far apart, nothing where they don't.
struct ProductRow {
  std::string_view name;
  Of of;
  std::string_view factor;
  std::array<double, worlds> weight;
};

// Made by tools/fit/fit-compare: multinomial logistic regression on made-up pairs. Weights of a
// side are those of `before`; those of `after` follow by swapping the two (appeared and gone, less
// and more). Numbers are looked up by name: one that the listener no longer gives counts as
// average.
#include "core/compare_table.inc"

// Below this no answer is worth giving. "Fixed" is the costlier mistake, the more so where the
// recording after by itself may well be that of a dead cylinder.
constexpr double sure_enough = 0.35;
constexpr double sure_enough_fixed = 0.5;
constexpr double may_be_dead = 0.25;
constexpr double sure_enough_though_it_may = 0.9;

constexpr double other_speed = 0.12;
// The table was fitted on pairs at about one speed. Of 60 made-up pairs, one side idling and one
// raised, it told 11 wrongly, seven of them as "fixed": so far apart it needs the listener's word
// for both sides (9 of 120 others wrong).
constexpr double far_speed = 0.25;
constexpr double other_sound_db = 7.0;
constexpr double short_s = 6.0;
constexpr double noisy_db = 0.0;

/// One side as a whole.
struct Side {
  double usable_s = 0.0;
  double rpm = 0.0;
  double snr_db = 100.0;
  double expected = 0.0;
  double missing = 0.0;
  bool counted = false;  ///< every finding on it has a verdict
  bool any_miss = false;
  Interval judging{0.0, 0.0};
};

std::optional<Side> side_of(std::span<const ComparedRecording> recordings) {
  Side side;
  double weight = 0.0;
  double low = 0.0;
  double high = 0.0;
  side.counted = true;
  for (const ComparedRecording& r : recordings) {
    const Finding& f = r.finding;
    if (!f.miss_probability || !f.speed) continue;
    const double w = std::max(f.input.usable_s, 0.1);
    side.rpm += w * f.speed->mean.value();
    side.usable_s += f.input.usable_s;
    side.snr_db = std::min(side.snr_db, f.input.snr_db.value_or(side.snr_db));
    weight += w;
    side.any_miss = side.any_miss || is_miss(f.verdict);
    if (f.missing_event_ratio && f.expected_events && f.missing_event_ratio_interval) {
      const auto n = static_cast<double>(*f.expected_events);
      side.expected += n;
      side.missing += n * *f.missing_event_ratio;
      // Whether a cylinder is dead, or none misses, the comparison has settled; what is left open
      // is how many events of those that come and go were misjudged.
      const bool counted_one_by_one = is_miss(f.verdict) && f.verdict != Verdict::dead_miss;
      low +=
          n * (counted_one_by_one ? f.missing_event_ratio_interval->low : *f.missing_event_ratio);
      high +=
          n * (counted_one_by_one ? f.missing_event_ratio_interval->high : *f.missing_event_ratio);
    } else {
      side.counted = false;
    }
  }
  if (weight == 0.0) return std::nullopt;
  side.rpm /= weight;
  side.counted = side.counted && side.expected > 0.0;
  if (side.counted) side.judging = {low / side.expected, high / side.expected};
  return side;
}

using Names = std::vector<std::string>;

/// Every number of a table in standard deviations from its centre, in the order of the rows; 0
/// where it is not known of this pair.
template <std::size_t rows>
std::array<double, rows> standardised(const std::array<TableRow, rows>& table, const Names& names,
                                      const std::vector<double>& values) {
  constexpr double farthest = 4.0;  // beyond, the fit has seen nothing
  std::array<double, rows> out{};
  for (std::size_t i = 0; i < rows; ++i) {
    const auto it = std::find(names.begin(), names.end(), table[i].name);
    if (it == names.end()) continue;
    const double value = values[static_cast<std::size_t>(it - names.begin())];
    if (std::isnan(value)) continue;
    out[i] = std::clamp((value - table[i].centre) / table[i].scale, -farthest, farthest);
  }
  return out;
}

/// The standardised number of that name.
template <std::size_t rows>
double number_of(const std::array<TableRow, rows>& table, const std::array<double, rows>& numbers,
                 std::string_view name) {
  const auto it = std::find_if(table.begin(), table.end(),
                               [&](const TableRow& row) { return row.name == name; });
  return it == table.end() ? 0.0 : numbers[static_cast<std::size_t>(it - table.begin())];
}

/// Probabilities of the worlds.
std::array<double, worlds> judge(const core::PairEvidence& evidence) {
  constexpr std::array<World, worlds> swapped{clean, gone, appeared, same, more, less};
  constexpr double farthest_factor = 2.0;  // products of rare numbers are rarer still
  const Names side_names = core::side_evidence_names();
  const auto before = standardised(side_table, side_names, evidence.before);
  const auto after = standardised(side_table, side_names, evidence.after);
  const auto shared = standardised(shared_table, core::shared_evidence_names(), evidence.shared);

  std::array<double, worlds> score = bias_weights;
  const auto add = [&](const std::array<double, worlds>& weight, double of_before,
                       double of_after) {
    for (std::size_t w = 0; w < worlds; ++w) {
      score[w] += of_before * weight[w] + of_after * weight[static_cast<std::size_t>(swapped[w])];
    }
  };
  for (std::size_t i = 0; i < side_table.size(); ++i)
    add(side_table[i].weight, before[i], after[i]);
  for (std::size_t i = 0; i < shared_table.size(); ++i) add(shared_table[i].weight, shared[i], 0.0);
  for (const ProductRow& row : product_table) {
    const auto factor = [&](const auto& table, const auto& numbers, std::string_view name) {
      return std::clamp(number_of(table, numbers, name), -farthest_factor, farthest_factor);
    };
    const auto product = [&](const auto& own, const auto& other) {
      const double second =
          row.of == Of::shared ? factor(shared_table, shared, row.factor)
                               : factor(side_table, row.of == Of::itself ? own : other, row.factor);
      return factor(side_table, own, row.name) * second;
    };
    add(row.weight, product(before, after), product(after, before));
  }
  const double total = core::log_sum_exp(score);
  for (double& v : score) v = std::exp(v - total);
  return score;
}

/// One sound on both sides says nothing of a repair, and may not be told as one.
std::array<double, worlds> without_a_change(std::array<double, worlds> probability) {
  const double total = probability[clean] + probability[same];
  for (std::size_t w = 0; w < worlds; ++w) {
    const bool stays = w == clean || w == same;
    probability[w] = stays ? probability[w] / total : 0.0;
  }
  return probability;
}

/// What the listener gives for a dead cylinder in the recording after, heard by itself.
double dead_after_probability(const core::PairEvidence& evidence) {
  const Names names = core::side_evidence_names();
  const auto it = std::find(names.begin(), names.end(), "log_dead_miss");
  return std::exp(evidence.after[static_cast<std::size_t>(it - names.begin())]);
}

/// Missing ratio with both kinds of uncertainty: judging errors and the engine's own chance.
struct Ratio {
  double value;
  Interval interval;
};

Ratio ratio_of(const Side& side) {
  const double value = side.missing / side.expected;
  const Interval chance = core::wilson(side.missing, side.expected);
  return {value,
          {std::min(chance.low, side.judging.low), std::max(chance.high, side.judging.high)}};
}

std::vector<PositionChange> aligned(const Engine& engine, const Finding& before,
                                    const Finding& after) {
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
    case CompareReasonCode::misses_alone: return "misses_alone";
    case CompareReasonCode::same_recording: return "same_recording";
    case CompareReasonCode::miss_gone: return "miss_gone";
    case CompareReasonCode::no_miss_in_either: return "no_miss_in_either";
    case CompareReasonCode::weak_after: return "weak_after";
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

ComparedRecording as_compared(const Listener& listener) {
  return {listener.finding(), listener.as_known_good(), listener.cycles()};
}

std::optional<Rpm> speed_of_the_other(const Finding& recording, const Finding& other) {
  if (!other.speed) return std::nullopt;
  const bool surer = other.confidence.value_or(0.0) > recording.confidence.value_or(0.0);
  if (!recording.speed) return surer ? std::optional{other.speed->mean} : std::nullopt;
  const double ratio = recording.speed->mean.value() / other.speed->mean.value();
  // An engine that fires evenly sounds like one that turns a whole number of times faster on one
  // cylinder. A miss leaves no doubt, so of two such speeds the slower is right.
  constexpr double whole = 0.06;
  const double times = std::round(ratio);
  if (times > 1.5 && std::abs(ratio / times - 1.0) < whole) return other.speed->mean;
  // Other simple parts of each other: either may be wrong.
  constexpr double close = 0.15;
  constexpr std::array<double, 4> parts{1.5, 4.0 / 3.0, 3.0 / 4.0, 2.0 / 3.0};
  const bool suspicious = std::any_of(parts.begin(), parts.end(),
                                      [&](double p) { return std::abs(ratio / p - 1.0) < close; });
  return suspicious && surer ? std::optional{other.speed->mean} : std::nullopt;
}

void hear_instead(ComparedRecording& recording, ComparedRecording near_the_other) {
  if (near_the_other.evidence) recording = std::move(near_the_other);
}

bool is_one_recording(const Comparison& comparison) {
  return std::any_of(comparison.reasons.begin(), comparison.reasons.end(),
                     [](const CompareReason& r) { return r.code == CompareReasonCode::same_recording; });
}

Comparison compare(const Engine& engine, std::span<const ComparedRecording> before,
                   std::span<const ComparedRecording> after) {
  Comparison result;
  const auto because = [&](CompareReasonCode code, double value = 0.0, double value2 = 0.0) {
    result.reasons.push_back({code, value, value2});
  };
  const auto b = side_of(before);
  const auto a = side_of(after);
  if (!b) because(CompareReasonCode::before_unheard);
  if (!a) because(CompareReasonCode::after_unheard);
  const auto evidence = core::pair_evidence(engine, before, after);
  if (!b || !a) return result;
  if (!evidence) {
    because(before.front().evidence ? CompareReasonCode::after_unheard
                                    : CompareReasonCode::before_unheard);
    return result;
  }
  const bool one_sound = std::any_of(before.begin(), before.end(), [&](const ComparedRecording& x) {
    return std::any_of(after.begin(), after.end(), [&](const ComparedRecording& y) {
      return core::same_sound(x.cycles, y.cycles);
    });
  });
  if (one_sound) because(CompareReasonCode::same_recording);
  if (one_sound && (before.size() > 1 || after.size() > 1)) return result;
  result.positions = aligned(engine, before.front().finding, after.front().finding);
  const std::optional<double> lines_db =
      core::difference(engine, before.front().finding, after.front().finding).lines_db;

  const std::array<double, worlds> heard = judge(*evidence);
  const std::array<double, worlds> probability = one_sound ? without_a_change(heard) : heard;
  const auto sum_of = [&](std::initializer_list<World> list) {
    double sum = 0.0;
    for (World w : list) sum += probability[w];
    return sum;
  };
  result.gone_probability = sum_of({clean, gone});
  struct Answer {
    Change change;
    double probability;
    World world;  ///< the likelier of those that it joins
  };
  const std::array<Answer, 4> answers{{
      {Change::fixed, probability[gone], gone},
      {Change::unchanged, sum_of({clean, same}),
       probability[clean] > probability[same] ? clean : same},
      {Change::improved, probability[less], less},
      {Change::worse, sum_of({appeared, more}),
       probability[appeared] > probability[more] ? appeared : more},
  }};
  const Answer& best = *std::max_element(
      answers.begin(), answers.end(),
      [](const Answer& x, const Answer& y) { return x.probability < y.probability; });
  const bool misses_before = best.world != clean && best.world != appeared;
  const bool misses_after = best.world != clean && best.world != gone;
  const bool told_alike =
      b->counted && a->counted && b->any_miss == misses_before && a->any_miss == misses_after;
  const double speeds_apart = std::max(a->rpm / b->rpm, b->rpm / a->rpm) - 1.0;
  const bool too_far = speeds_apart > far_speed && !told_alike;
  // Numbers only where the count and the comparison tell the same story.
  if (!one_sound && told_alike) {
    const Ratio x = ratio_of(*b);
    const Ratio y = ratio_of(*a);
    result.ratio_change = y.value - x.value;
    // Hybrid score interval of a difference: R. G. Newcombe, Statistics in Medicine 17 (1998) 873,
    // method 10.
    result.ratio_change_interval = Interval{
        *result.ratio_change - std::hypot(y.value - y.interval.low, x.interval.high - x.value),
        *result.ratio_change + std::hypot(y.interval.high - y.value, x.value - x.interval.low)};
  }
  if (a->counted && !misses_after) result.could_hide = core::wilson(0.0, a->expected).high;

  const bool doubtful =
      best.change == Change::fixed && dead_after_probability(*evidence) > may_be_dead;
  const double enough = doubtful                       ? sure_enough_though_it_may
                        : best.change == Change::fixed ? sure_enough_fixed
                                                       : sure_enough;
  if (too_far) {
    because(CompareReasonCode::other_speed, b->rpm, a->rpm);
    result.gone_probability.reset();
    result.could_hide.reset();
  } else if (best.probability < enough) {
    because(CompareReasonCode::not_sure_enough, best.probability);
    if (doubtful) because(CompareReasonCode::misses_alone);
  } else {
    result.change = best.change;
    result.confidence = best.probability;
    result.miss_after = misses_after;
    const double hide = result.could_hide.value_or(0.0);
    const double ratio_before = b->expected > 0.0 ? b->missing / b->expected : 0.0;
    const double ratio_after = a->expected > 0.0 ? a->missing / a->expected : 0.0;
    if (best.world == gone) {
      because(CompareReasonCode::miss_gone, ratio_before, hide);
    } else if (best.world == clean) {
      because(CompareReasonCode::no_miss_in_either, 0.0, hide);
    } else if (best.world == appeared) {
      because(CompareReasonCode::miss_appeared, ratio_after);
    } else {
      because(CompareReasonCode::miss_remains, ratio_before, ratio_after);
    }
  }
  if (!too_far && std::abs(a->rpm / b->rpm - 1.0) > other_speed) {
    because(CompareReasonCode::other_speed, b->rpm, a->rpm);
  }
  if (!one_sound && lines_db && *lines_db > other_sound_db &&
      (best.world == clean || best.world == same)) {
    because(CompareReasonCode::other_sound, *lines_db);
  }
  const auto is_weak = [](const ComparedRecording& r) { return r.finding.verdict == Verdict::weak_cylinder; };
  const auto weak = std::find_if(after.begin(), after.end(), is_weak);
  if (result.confidence && !result.miss_after && weak != after.end()) because(CompareReasonCode::weak_after, weak->finding.confidence.value_or(0.0));
  if (b->usable_s < short_s) because(CompareReasonCode::short_before, b->usable_s);
  if (a->usable_s < short_s) because(CompareReasonCode::short_after, a->usable_s);
  if (b->snr_db < noisy_db) because(CompareReasonCode::noisy_before, b->snr_db);
  if (a->snr_db < noisy_db) because(CompareReasonCode::noisy_after, a->snr_db);
  return result;
}

}  // namespace pipebeat
