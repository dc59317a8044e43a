#include "pipebeat/droptest.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <map>
#include <numeric>
#include <utility>

#include "core/beat_lines.hpp"
#include "core/gaps.hpp"
#include "core/signature.hpp"
#include "core/statistics.hpp"

namespace pipebeat {

namespace {

// How the speed spreads when a cylinder is dead and when it works; rounded from simulated drop tests.
constexpr double wander = 0.008;          // of the mean idle speed between two recordings
constexpr double drop_own = 0.004;        // cylinders do not all drop the speed alike:
constexpr double drop_spread = 0.35;      // a fixed part and a share of the mean drop
constexpr double none_prior = 0.3;        // nobody dead
constexpr double two_prior = 0.08;        // two dead, over all pairs
constexpr double sure_enough = 0.7;
constexpr double weak_contribution = 0.6;
constexpr double other_operating_point = 0.25;  // relative speed difference

double log_normal_density(double x, double mean, double deviation) {
  const double z = (x - mean) / deviation;
  // Student's t with 4 degrees of freedom: one odd recording must not outvote the rest.
  return -2.5 * std::log1p(0.25 * z * z) - std::log(deviation);
}

/// What is known of one cylinder before judging.
struct Reading {
  int cylinder = 0;
  std::optional<core::MeanSpeed> speed;
  std::vector<core::LevelRow> rows;
  double log_same = 0.0;  ///< log odds that it sounds like the baseline
  std::vector<StretchLines> lines;  ///< of a baseline and, on a phase of their own, of it unplugged; or none
  std::optional<double> missing;
  std::optional<int> silent;  ///< positions that the listener found silent while it was unplugged
};

struct Hypothesis {
  std::vector<int> dead;
  double log_weight = 0.0;
};

bool contains(const std::vector<int>& list, int x) {
  return std::find(list.begin(), list.end(), x) != list.end();
}

/// `untested`: heard cylinders that nobody unplugged; one of them may be the dead one.
std::vector<Hypothesis> hypotheses(const std::vector<Reading>& readings, const std::vector<int>& untested) {
  std::vector<Hypothesis> all{{{}, std::log(none_prior)}};
  const auto n = static_cast<double>(readings.size() + untested.size());
  for (int cylinder : untested) all.push_back({{cylinder}, std::log((1.0 - none_prior - two_prior) / n)});
  for (std::size_t i = 0; i < readings.size(); ++i) {
    all.push_back({{readings[i].cylinder}, std::log((1.0 - none_prior - two_prior) / n)});
    // With a single cylinder left that works the engine would not run.
    for (std::size_t k = i + 1; k < readings.size() && readings.size() > 3; ++k) {
      all.push_back({{readings[i].cylinder, readings[k].cylinder},
                     std::log(two_prior / (0.5 * n * (n - 1.0)))});
    }
  }
  return all;
}

/// log p(speed drops | who is dead): the dead do not drop the speed, the others drop it about alike,
/// by an unknown share that is integrated out. 0 is among them: idle control may hide the drop.
double log_drops(const std::vector<Reading>& readings, const core::MeanSpeed& base,
                 const std::vector<int>& dead) {
  constexpr std::array<double, 9> shares{0.0, 0.005, 0.01, 0.015, 0.02, 0.03, 0.045, 0.07, 0.11};
  std::vector<double> each;
  for (double share : shares) {
    double sum = 0.0;
    for (const Reading& r : readings) {
      if (!r.speed) continue;
      const double drop = (base.rpm - r.speed->rpm) / base.rpm;
      const double error = std::sqrt(wander * wander + (std::pow(base.error, 2) +
                                                        std::pow(r.speed->error, 2)) /
                                                           (base.rpm * base.rpm));
      if (contains(dead, r.cylinder)) {
        sum += log_normal_density(drop, 0.0, error);
      } else {
        sum += log_normal_density(drop, share,
                                  std::sqrt(error * error + drop_own * drop_own +
                                            std::pow(drop_spread * share, 2)));
      }
    }
    each.push_back(sum);
  }
  return core::log_sum_exp(each) - std::log(static_cast<double>(each.size()));
}

/// log p(sound of each | who is dead), up to what all hypotheses share: unplugging a dead cylinder
/// leaves the sound as it was.
double log_sounds(const std::vector<Reading>& readings, const std::vector<int>& dead) {
  double sum = 0.0;
  for (const Reading& r : readings) {
    if (contains(dead, r.cylinder)) sum += r.log_same;
  }
  return sum;
}

/// log p(the listener's own miss probability of the baselines | whether somebody is dead). Log odds lie
/// around 1 with a dead cylinder, around -1.5 without; rounded from simulated recordings.
double log_baselines(const std::vector<const Finding*>& baselines, bool dead) {
  double sum = 0.0;
  for (const Finding* f : baselines) {
    if (!f->miss_probability) continue;
    const double p = std::clamp(*f->miss_probability, 1e-3, 1.0 - 1e-3);
    sum += log_normal_density(std::log(p / (1.0 - p)), dead ? 1.0 : -1.5, 1.3);
  }
  // Several baselines of one engine share its unevenness: they count as one.
  return baselines.empty() ? 0.0 : sum / static_cast<double>(baselines.size());
}

/// log p(silent positions that the listener counted | who is dead): with a dead cylinder every other
/// unplugging leaves two. Of made-up stretches with one silent position that had a count, one was counted in 154 of
/// 159, of those with two, two in 172 of 214 and one in 42.
double log_counts(const std::vector<Reading>& readings, const std::vector<int>& dead) {
  constexpr double trust = 0.5;  // what misleads the listener once misleads it again
  // [really - 1][counted - 1]; three: rounded, nobody measured it.
  constexpr std::array<std::array<double, 2>, 3> counted{{{0.96, 0.02}, {0.20, 0.79}, {0.15, 0.60}}};
  constexpr double otherwise = 0.01;
  double sum = 0.0;
  for (const Reading& r : readings) {
    const std::size_t really = dead.size() + (contains(dead, r.cylinder) ? 0 : 1);
    if (!r.silent || really < 1 || really > counted.size()) continue;
    const bool known = *r.silent == 1 || *r.silent == 2;
    sum += std::log(known ? counted[really - 1][static_cast<std::size_t>(*r.silent - 1)] : otherwise);
  }
  return trust * sum;
}

/// log p(gaps in the pattern | who is dead): a gap for each dead cylinder and one for the unplugged,
/// as far apart as the firing order says.
double log_gaps(const core::GapModel& model, const std::vector<core::LevelRow>& baselines,
                const std::vector<Reading>& readings, const std::vector<int>& dead) {
  constexpr double trust = 0.4;  // pipes bend the levels more than the model knows
  std::vector<core::OffCylinder> off;
  for (int cylinder : dead) off.push_back({cylinder, 1.0});
  double sum = 0.0;
  const auto add = [&](const core::LevelRow& row) {
    sum += model.log_likelihood(std::span{&row, 1}, std::span{&off, 1});
  };
  for (const core::LevelRow& row : baselines) add(row);
  for (const Reading& r : readings) {
    off.push_back({r.cylinder, 1.0});
    for (const core::LevelRow& row : r.rows) add(row);
    off.pop_back();
  }
  return trust * sum;
}

/// log p(cycle lines of the unpluggings, each beside a baseline's | who is dead), up to what all hypotheses
/// share: what an unplugging changed lies as far from the dead ones as the firing order says, and a dead one's
/// changes nothing.
double log_lines(const Engine& engine, const std::vector<Reading>& readings, const std::vector<int>& dead) {
  constexpr double trust = 0.5;  // levels and spectra come from the same sound
  std::vector<core::Suspect> suspects;
  for (int cylinder : dead) suspects.push_back({cylinder, 1.0});
  double sum = 0.0;
  for (const Reading& r : readings) sum += core::LineFit{engine, r.lines, suspects}.log_likelihood_turned();
  return trust * sum;
}

std::optional<core::MeanSpeed> mean_of(const std::vector<core::MeanSpeed>& speeds) {
  if (speeds.empty()) return std::nullopt;
  const auto n = static_cast<double>(speeds.size());
  core::MeanSpeed mean{0.0, 0.0};
  double square = 0.0;
  for (const core::MeanSpeed& s : speeds) {
    mean.rpm += s.rpm / n;
    square += s.error * s.error;
  }
  double between = 0.0;
  for (const core::MeanSpeed& s : speeds) between += std::pow(s.rpm - mean.rpm, 2);
  mean.error = std::sqrt(square) / n;
  if (n > 1.0) mean.error = std::max(mean.error, std::sqrt(between / (n - 1.0) / n));
  return mean;
}

/// The usual speed with everything plugged in: the mean weighted by inverse variance. Right after
/// plugging back an engine may race before its idle control catches it; such a stretch drifts, which
/// shows in its error, and counts for little.
std::optional<core::MeanSpeed> usual_of(const std::vector<core::MeanSpeed>& speeds) {
  double sum = 0.0;
  double weights = 0.0;
  for (const core::MeanSpeed& s : speeds) {
    const double weight = 1.0 / (s.error * s.error);
    sum += weight * s.rpm;
    weights += weight;
  }
  if (weights == 0.0) return std::nullopt;
  return core::MeanSpeed{sum / weights, 1.0 / std::sqrt(weights)};
}

}  // namespace

std::string_view to_string(DropReasonCode code) {
  switch (code) {
    case DropReasonCode::baseline_unheard: return "baseline_unheard";
    case DropReasonCode::stretch_unheard: return "stretch_unheard";
    case DropReasonCode::nothing_stands_out: return "nothing_stands_out";
    case DropReasonCode::speeds_differ: return "speeds_differ";
    case DropReasonCode::changes_nothing: return "changes_nothing";
    case DropReasonCode::all_contribute: return "all_contribute";
    case DropReasonCode::contributes_little: return "contributes_little";
    case DropReasonCode::speed_held: return "speed_held";
    case DropReasonCode::not_tested: return "not_tested";
    case DropReasonCode::unplugged_again: return "unplugged_again";
    case DropReasonCode::plugged_back_differs: return "plugged_back_differs";
  }
  return "nothing_stands_out";
}

DropTest judge_drop_test(const Engine& engine, std::span<const DropStretch> stretches) {
  DropTest test;
  const auto because = [&](DropReasonCode code, int cylinder = 0, double value = 0.0,
                           double value2 = 0.0) {
    test.reasons.push_back({code, cylinder, value, value2});
  };

  std::vector<core::MeanSpeed> baseline_speeds;
  std::vector<const Finding*> baselines;
  std::vector<core::LevelRow> baseline_rows;
  const std::size_t positions = engine.positions().size();
  std::map<int, std::vector<const Finding*>> unplugged;
  std::map<int, std::vector<StretchLines>> lines;  // of its first unplugging, beside the last baseline before
  std::optional<StretchLines> last_baseline;
  for (const DropStretch& s : stretches) {
    if (s.unplugged != 0) {
      unplugged[s.unplugged].push_back(&s.finding);
      if (!last_baseline || !s.finding.speed || lines.contains(s.unplugged)) continue;
      if (auto own = core::lines_of(s.cycles, s.unplugged)) lines[s.unplugged] = {*last_baseline, std::move(*own)};
    } else if (const auto speed = core::mean_speed(s.finding)) {
      baseline_speeds.push_back(*speed);
      baselines.push_back(&s.finding);
      if (auto own = core::lines_of(s.cycles, 0)) last_baseline = std::move(own);
      if (!s.finding.events.empty()) {
        baseline_rows.push_back(core::level_row(s.finding.events, positions));
      }
    }
  }
  const auto base = usual_of(baseline_speeds);
  if (!base) {
    because(DropReasonCode::baseline_unheard);
    return test;
  }
  const auto [slow, fast] =
      std::minmax_element(baseline_speeds.begin(), baseline_speeds.end(),
                          [](const auto& a, const auto& b) { return a.rpm < b.rpm; });

  std::vector<Reading> readings;
  std::vector<DropReason> remarks;
  for (const auto& [cylinder, findings] : unplugged) {
    if (findings.size() > 1) {
      remarks.push_back({DropReasonCode::unplugged_again, cylinder, static_cast<double>(findings.size())});
    }
    Reading r;
    r.cylinder = cylinder;
    std::vector<core::MeanSpeed> speeds;
    double odds = 0.0;
    double pairs = 0.0;
    for (const Finding* f : findings) {
      if (const auto speed = core::mean_speed(*f)) speeds.push_back(*speed);
      if (!f->events.empty()) r.rows.push_back(core::level_row(f->events, positions));
      if (f->missing_event_ratio) r.missing = f->missing_event_ratio;
      if (f->verdict == Verdict::dead_miss && f->missing_event_ratio) {
        r.silent = static_cast<int>(std::lround(*f->missing_event_ratio * static_cast<double>(positions)));
      }
      for (const Finding* b : baselines) {
        odds += core::log_odds_same(core::difference(engine, *b, *f));
        pairs += 1.0;
      }
    }
    r.speed = mean_of(speeds);
    if (const auto found = lines.find(cylinder); found != lines.end()) r.lines = found->second;
    if (pairs > 0.0) r.log_same = odds / pairs;
    if (!r.speed) {
      remarks.push_back({DropReasonCode::stretch_unheard, cylinder});
    } else if (std::abs(r.speed->rpm - base->rpm) > other_operating_point * base->rpm) {
      // A changed throttle, or a speed found wrongly: such a drop would prove nothing.
      remarks.push_back({DropReasonCode::speeds_differ, cylinder, r.speed->rpm, base->rpm});
      r.speed.reset();
      r.log_same = 0.0;
      r.lines.clear();
      r.silent.reset();
      r.rows.clear();
    }
    readings.push_back(r);
  }
  std::vector<int> untested;
  for (const FiringPosition& p : engine.positions()) {
    if (!unplugged.contains(p.cylinder)) {
      remarks.push_back({DropReasonCode::not_tested, p.cylinder});
      untested.push_back(p.cylinder);
    }
  }

  const core::GapModel model{engine};
  std::vector<Hypothesis> all = hypotheses(readings, untested);
  std::vector<double> weights;
  for (Hypothesis& h : all) {
    h.log_weight += log_drops(readings, *base, h.dead) + log_sounds(readings, h.dead) +
                    log_lines(engine, readings, h.dead) + log_gaps(model, baseline_rows, readings, h.dead) +
                    log_counts(readings, h.dead) + log_baselines(baselines, !h.dead.empty());
    weights.push_back(h.log_weight);
  }
  const double total = core::log_sum_exp(weights);
  const auto best = std::max_element(all.begin(), all.end(), [](const auto& a, const auto& b) {
    return a.log_weight < b.log_weight;
  });
  const double confidence = std::exp(best->log_weight - total);

  // A working cylinder's usual drop, for scale.
  std::vector<double> working;
  for (const Reading& r : readings) {
    if (r.speed && !contains(best->dead, r.cylinder)) working.push_back(base->rpm - r.speed->rpm);
  }
  std::sort(working.begin(), working.end());
  const double usual = working.empty() ? 0.0 : working[working.size() / 2];
  const bool speed_tells = usual > 2.5 * wander * base->rpm;

  for (const Reading& r : readings) {
    CylinderDrop c;
    c.cylinder = r.cylinder;
    for (const Hypothesis& h : all) {
      if (contains(h.dead, r.cylinder)) c.dead_probability += std::exp(h.log_weight - total);
    }
    if (r.speed) {
      c.rpm_drop = base->rpm - r.speed->rpm;
      const double error = std::hypot(base->error, r.speed->error);
      c.rpm_drop_interval = Interval{*c.rpm_drop - 1.96 * error, *c.rpm_drop + 1.96 * error};
      c.contribution = speed_tells ? std::clamp(*c.rpm_drop / usual, 0.0, 1.5)
                                   : 1.0 - c.dead_probability;
    }
    c.missing_event_ratio = r.missing;
    test.cylinders.push_back(c);
  }

  const bool heard_enough = std::count_if(readings.begin(), readings.end(), [](const Reading& r) {
                              return r.speed.has_value();
                            }) >= 2;
  const auto unheard = [&](int cylinder) {
    return std::any_of(readings.begin(), readings.end(), [&](const Reading& r) {
      return r.cylinder == cylinder && !r.speed;
    });
  };
  const bool named_unheard = std::any_of(best->dead.begin(), best->dead.end(), [&](int cylinder) {
    return unheard(cylinder) || contains(untested, cylinder);
  });
  // "All contribute" is only for who tried all.
  const bool some_left = best->dead.empty() && !untested.empty();
  if (some_left || !heard_enough || confidence < sure_enough || named_unheard) {
    because(DropReasonCode::nothing_stands_out, 0, confidence);
  } else {
    test.dead = best->dead;
    test.confidence = confidence;
    for (int cylinder : best->dead) {
      const auto it = std::find_if(test.cylinders.begin(), test.cylinders.end(),
                                   [&](const auto& c) { return c.cylinder == cylinder; });
      because(DropReasonCode::changes_nothing, cylinder, it->rpm_drop.value_or(0.0), usual);
    }
    if (best->dead.empty()) because(DropReasonCode::all_contribute, 0, working.empty() ? 0.0 : working.front());
    if (speed_tells) {
      for (const CylinderDrop& c : test.cylinders) {
        if (c.contribution && *c.contribution < weak_contribution && !contains(best->dead, c.cylinder)) {
          because(DropReasonCode::contributes_little, c.cylinder, *c.contribution);
        }
      }
    }
  }
  if (!working.empty() && !speed_tells) because(DropReasonCode::speed_held, 0, usual);
  if (baseline_speeds.size() > 1 && fast->rpm - slow->rpm > 0.04 * base->rpm) {
    because(DropReasonCode::plugged_back_differs, 0, slow->rpm, fast->rpm);
  }
  test.reasons.insert(test.reasons.end(), remarks.begin(), remarks.end());
  return test;
}

}  // namespace pipebeat
