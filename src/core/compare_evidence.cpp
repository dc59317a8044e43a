#include "core/compare_evidence.hpp"

#include <algorithm>
#include <cmath>
#include <initializer_list>
#include <limits>

#include "core/gaps.hpp"
#include "core/pair_cycles.hpp"
#include "core/pattern.hpp"
#include "core/signature.hpp"
#include "core/statistics.hpp"

namespace pipebeat::core {

namespace {

/// log p(levels | one cylinder is off) - log p(levels | none is), whoever it may be. 0 where there is
/// but one position.
double gap_log_odds(const GapModel& model, const Engine& engine, const Finding& finding) {
  const std::size_t positions = engine.positions().size();
  if (positions < 2 || finding.events.empty()) return 0.0;
  constexpr double limit = 5.0;
  const LevelRow row = level_row(finding.events, positions);
  std::vector<OffCylinder> off;
  const double none = model.log_likelihood(std::span{&row, 1}, std::span{&off, 1});
  std::vector<double> one;
  for (const FiringPosition& p : engine.positions()) {
    off = {{p.cylinder, 1.0}};
    one.push_back(model.log_likelihood(std::span{&row, 1}, std::span{&off, 1}));
  }
  const double each = log_sum_exp(one) - std::log(static_cast<double>(positions));
  return std::clamp(each - none, -limit, limit);
}

/// Names of the numbers that a side has by itself.
std::vector<std::string> own_names() {
  std::vector<std::string> names{"miss_log_odds", "gap_log_odds"};
  names.insert(names.end(), evidence_names.begin(), evidence_names.end());
  for (std::size_t v = 0; v + 1 < verdict_count; ++v) names.push_back("log_" + std::string{to_string(static_cast<Verdict>(v))});
  names.insert(names.end(), {"log_no_miss", "log_now_and_then", "missing_pulses"});
  return names;
}

std::optional<std::vector<double>> side_evidence(const Engine& engine,
                                                 std::span<const ComparedRecording> recordings) {
  const GapModel model{engine};
  std::vector<double> mean(own_names().size(), 0.0);
  double count = 0.0;
  for (const ComparedRecording& r : recordings) {
    if (!r.evidence || !r.finding.miss_probability) continue;
    const double p = std::clamp(*r.finding.miss_probability, 1e-3, 1.0 - 1e-3);
    std::vector<double> one{std::log(p / (1.0 - p)), gap_log_odds(model, engine, r.finding)};
    if (r.evidence->evidence.size() != evidence_count) return std::nullopt;
    one.insert(one.end(), r.evidence->evidence.begin(), r.evidence->evidence.end());
    Evidence row;
    std::copy(r.evidence->evidence.begin(), r.evidence->evidence.end(), row.begin());
    const VerdictProbabilities verdict = judge_pattern(row);
    const auto log_of = [&](std::initializer_list<Verdict> any) {
      double sum = 1e-3;
      for (Verdict v : any) sum += verdict[static_cast<std::size_t>(v)] / (1.0 - verdict.back() + 1e-9);
      return std::log(sum);
    };
    for (std::size_t v = 0; v + 1 < verdict_count; ++v) one.push_back(log_of({static_cast<Verdict>(v)}));
    one.push_back(log_of({Verdict::weak_cylinder, Verdict::rough_no_miss, Verdict::even}));
    one.push_back(log_of({Verdict::intermittent_miss, Verdict::random_miss}));
    // A cycle, as the listener counts them.
    one.push_back(r.finding.missing_event_ratio.value_or(0.0) * static_cast<double>(engine.positions().size()));
    for (std::size_t i = 0; i < one.size(); ++i) mean[i] += one[i];
    count += 1.0;
  }
  if (count == 0.0) return std::nullopt;
  for (double& v : mean) v /= count;
  return mean;
}

}  // namespace

std::vector<std::string> side_evidence_names() {
  std::vector<std::string> names = own_names();
  names.insert(names.end(), cycle_number_names.begin(), cycle_number_names.end());
  return names;
}

std::vector<std::string> shared_evidence_names() {
  std::vector<std::string> names{"log_lines_apart", "log_levels_apart"};
  for (const std::string& side : own_names()) names.push_back("apart_" + side);
  names.insert(names.end(), cycle_distance_names.begin(), cycle_distance_names.end());
  return names;
}

std::optional<PairEvidence> pair_evidence(const Engine& engine, std::span<const ComparedRecording> before,
                                          std::span<const ComparedRecording> after) {
  const auto b = side_evidence(engine, before);
  const auto a = side_evidence(engine, after);
  if (!b || !a) return std::nullopt;
  double lines = 0.0;
  double levels = 0.0;
  double count = 0.0;
  CyclePair cycles;
  double pairs = 0.0;
  const auto add = [](auto& to, const auto& what) {
    for (std::size_t i = 0; i < what.size(); ++i) to[i] += what[i];
  };
  for (const ComparedRecording& x : before) {
    for (const ComparedRecording& y : after) {
      const Difference d = difference(engine, x.finding, y.finding);
      // Without a reading: what pairs have on average.
      lines += std::log(std::max(d.lines_db.value_or(4.0), 0.5));
      levels += std::log(std::max(d.levels.value_or(0.25), 0.01));
      count += 1.0;
      if (const auto pair = pair_cycles(engine, x.cycles, y.cycles)) {
        add(cycles.before, pair->before);
        add(cycles.after, pair->after);
        add(cycles.apart, pair->apart);
        pairs += 1.0;
      }
    }
  }
  PairEvidence evidence{*b, *a, {lines / count, levels / count}};
  for (std::size_t i = 0; i < b->size(); ++i) evidence.shared.push_back(std::abs((*a)[i] - (*b)[i]));
  const double none = std::numeric_limits<double>::quiet_NaN();
  for (double v : cycles.before) evidence.before.push_back(pairs > 0.0 ? v / pairs : none);
  for (double v : cycles.after) evidence.after.push_back(pairs > 0.0 ? v / pairs : none);
  for (double v : cycles.apart) evidence.shared.push_back(pairs > 0.0 ? v / pairs : none);
  return evidence;
}

}  // namespace pipebeat::core
