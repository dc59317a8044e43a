#include "core/change.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

namespace pipebeat::core {

namespace {

struct Heard {
  float time_s;
  double level;
};

// Chosen on 27 synthesised pullings of nine layouts, which reach a step of 0.8 and more and 6 to 20
// deviations, and 36 steady takes of even, rough, weak, dead and missing engines (54 minutes), of
// which one moment reached 4.2 deviations with a step of 0.3.
constexpr double least_step = 0.5;  // of a fired pulse
constexpr double least_deviations = 5.0;
constexpr double least_spread = 0.05;     // levels never agree better than this
constexpr double most_of_others = 0.6;    // of the step; what rings into the next window moves, too
constexpr std::size_t fewest_before = 6;  // cycles
constexpr std::size_t fewest_after = 4;

/// The levels of one position, parted in two where two constants fit them best.
struct Step {
  std::size_t position = 0;
  std::size_t at = 0;  ///< the first event after it
  double before = 0.0;
  double after = 0.0;
  double spread = 0.0;

  [[nodiscard]] double size() const { return std::abs(before - after); }
  [[nodiscard]] double deviations() const { return size() / spread; }
};

/// `heard` holds enough events for both sides.
Step step_in(const std::vector<Heard>& heard) {
  const std::size_t n = heard.size();
  std::vector<double> sum(n + 1, 0.0);
  std::vector<double> square(n + 1, 0.0);
  for (std::size_t i = 0; i < n; ++i) {
    sum[i + 1] = sum[i] + heard[i].level;
    square[i + 1] = square[i] + heard[i].level * heard[i].level;
  }
  std::size_t at = 0;
  double least = 0.0;
  for (std::size_t k = fewest_before; k + fewest_after <= n; ++k) {
    const double rest = sum[n] - sum[k];
    const double within = square[n] - sum[k] * sum[k] / static_cast<double>(k) -
                          rest * rest / static_cast<double>(n - k);
    if (at == 0 || within < least) {
      least = within;
      at = k;
    }
  }
  Step step;
  step.at = at;
  step.before = sum[at] / static_cast<double>(at);
  step.after = (sum[n] - sum[at]) / static_cast<double>(n - at);
  step.spread =
      std::sqrt(std::max(0.0, least) / static_cast<double>(n) + least_spread * least_spread);
  return step;
}

/// Every level lies on its own side of the step.
bool parts(const Step& step, const std::vector<Heard>& heard) {
  const double middle = 0.5 * (step.before + step.after);
  const bool down = step.after < step.before;
  for (std::size_t i = 0; i < heard.size(); ++i) {
    if ((heard[i].level < middle) != (i < step.at ? !down : down)) return false;
  }
  return true;
}

/// The engine ran on across the step, at much the same speed: it did not start, stop or race there.
bool runs_on(const Step& step, const std::vector<Heard>& heard) {
  constexpr double speed_reach = 1.2;
  constexpr double longest_gap = 1.8;  // cycles; more means that some could not be judged
  const auto time = [&](std::size_t i) { return static_cast<double>(heard[i].time_s); };
  const double before = (time(step.at - 1) - time(0)) / static_cast<double>(step.at - 1);
  const std::size_t last = heard.size() - 1;
  const double after = (time(last) - time(step.at)) / static_cast<double>(last - step.at);
  const double slower = std::max(before, after);
  constexpr double shortest_reference_s = 1.0;
  if (time(step.at) - time(0) < shortest_reference_s) return false;
  return slower < speed_reach * std::min(before, after) &&
         time(step.at) - time(step.at - 1) < longest_gap * slower;
}

}  // namespace

std::optional<PulseChange> find_change(std::span<const HeardEvent> events, std::size_t positions) {
  std::vector<std::vector<Heard>> heard(positions);
  for (const HeardEvent& e : events)
    heard[static_cast<std::size_t>(e.position - 1)].push_back({e.time_s, e.level});
  std::vector<Step> steps;
  for (std::size_t p = 0; p < positions; ++p) {
    auto& own = heard[p];
    if (own.size() < fewest_before + fewest_after) return std::nullopt;
    std::stable_sort(own.begin(), own.end(),
                     [](const Heard& a, const Heard& b) { return a.time_s < b.time_s; });
    steps.push_back(step_in(own));
    steps.back().position = p;
  }
  std::stable_sort(steps.begin(), steps.end(),
                   [](const Step& a, const Step& b) { return a.deviations() > b.deviations(); });
  const Step& step = steps.front();
  const auto& own = heard[step.position];
  if (step.size() < least_step || step.deviations() < least_deviations || !parts(step, own) ||
      !runs_on(step, own))
    return std::nullopt;
  const bool alone = std::all_of(steps.begin() + 1, steps.end(), [&](const Step& other) {
    return other.size() < most_of_others * step.size();
  });
  if (!alone) return std::nullopt;
  return PulseChange{0.5 * (static_cast<double>(own[step.at - 1].time_s) +
                            static_cast<double>(own[step.at].time_s)),
                     step.after < step.before};
}

}  // namespace pipebeat::core
