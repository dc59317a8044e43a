#include "core/gaps.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "core/statistics.hpp"

namespace pipebeat::core {

namespace {

constexpr double fired_spread = 0.22;  // between the cylinders of one engine: pipes differ
constexpr double gap_level = 0.12;     // what ringing and noise leave of a missing pulse
constexpr double gap_spread = 0.18;
constexpr double row_error = 0.08;     // of a mean level, besides its standard error
constexpr double outlier = 0.06;       // share of levels that mean nothing
constexpr double outlier_blurred = 0.02;  // within one passage levels are steadier
constexpr double outlier_density = 0.4;

/// Log density of levels that share one constant drawn from N(mean, spread^2); a share `odd` of them
/// means nothing.
double log_shared(std::span<const double> x, std::span<const double> error, double mean, double spread,
                  double odd) {
  // Sequential: each level is predicted from those before it (Kalman filter of a constant).
  double estimate = mean;
  double variance = spread * spread;
  double sum = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double noise = error[i] * error[i] + row_error * row_error;
    const double total = variance + noise;
    const double d = x[i] - estimate;
    const double normal = std::exp(-0.5 * d * d / total) / std::sqrt(6.283185307 * total);
    sum += std::log((1.0 - odd) * normal + odd * outlier_density);
    const double gain = variance / total;
    estimate += gain * d;
    variance *= 1.0 - gain;
  }
  return sum;
}

}  // namespace

LevelRow level_row(std::span<const Event> events, std::size_t positions, bool own_unit) {
  std::vector<double> sum(positions, 0.0);
  std::vector<double> square(positions, 0.0);
  std::vector<double> count(positions, 0.0);
  for (const Event& e : events) {
    const auto j = static_cast<std::size_t>(e.position - 1);
    sum[j] += e.level;
    square[j] += static_cast<double>(e.level) * e.level;
    count[j] += 1.0;
  }
  LevelRow row;
  for (std::size_t j = 0; j < positions; ++j) {
    const double n = std::max(count[j], 1.0);
    const double mean = sum[j] / n;
    row.level.push_back(mean);
    row.error.push_back(std::sqrt(std::max(0.0, square[j] / n - mean * mean) / n));
  }
  if (!own_unit) return row;
  // The throttle opens when a cylinder falls out: measure in pulses of this stretch. At most half of
  // the positions is empty, so the upper half fires.
  std::vector<double> sorted = row.level;
  std::sort(sorted.begin(), sorted.end(), std::greater<>());
  const std::size_t upper = std::max<std::size_t>(1, positions / 2);
  double unit = 0.0;
  for (std::size_t j = 0; j < upper; ++j) unit += sorted[j] / static_cast<double>(upper);
  if (unit > 0.05) {
    for (double& v : row.level) v /= unit;
    for (double& v : row.error) v /= unit;
  }
  return row;
}

GapModel::GapModel(const Engine& engine, bool blurred) : turns_{engine.turns()}, blurred_{blurred} {
  for (const FiringPosition& p : engine.positions()) cylinder_.push_back(p.cylinder);
}

double GapModel::log_likelihood(std::span<const LevelRow> rows,
                                std::span<const std::vector<OffCylinder>> off) const {
  struct Lift {
    double level;
    double share;
  };
  static constexpr std::array<Lift, 5> lifts{{{0.0, 0.35}, {0.15, 0.3}, {0.3, 0.2}, {0.45, 0.1}, {0.6, 0.05}}};
  constexpr double lifted_spread = 0.12;
  std::vector<double> each;
  for (int turn : turns_) {
    if (!blurred_) {
      each.push_back(log_likelihood_turned(rows, off, turn, gap_level, gap_spread));
      continue;
    }
    std::vector<double> lifted;
    for (const Lift& lift : lifts) {
      lifted.push_back(std::log(lift.share) +
                       log_likelihood_turned(rows, off, turn, lift.level, lifted_spread));
    }
    each.push_back(log_sum_exp(lifted));
  }
  return log_sum_exp(each) - std::log(static_cast<double>(each.size()));
}

double GapModel::log_likelihood_turned(std::span<const LevelRow> rows,
                                       std::span<const std::vector<OffCylinder>> off,
                                       int turn, double level_of_gap, double spread_of_gap) const {
  const std::size_t P = cylinder_.size();
  const double odd = blurred_ ? outlier_blurred : outlier;
  double sum = 0.0;
  std::vector<double> fired, fired_error, gap, gap_error;
  for (std::size_t j = 0; j < P; ++j) {
    const int cylinder = cylinder_[(j + static_cast<std::size_t>(turn)) % P];
    fired.clear();
    fired_error.clear();
    gap.clear();
    gap_error.clear();
    for (std::size_t r = 0; r < rows.size(); ++r) {
      const double level = rows[r].level[j];
      const double error = rows[r].error[j];
      double missing = 0.0;
      for (const OffCylinder& o : off[r]) {
        if (o.cylinder == cylinder) missing = std::max(missing, o.missing);
      }
      if (missing >= 1.0) {
        gap.push_back(level);
        gap_error.push_back(error);
      } else {
        // A share of the events missing lowers the mean by that share of a pulse.
        fired.push_back(level + missing * (1.0 - level_of_gap));
        fired_error.push_back(error);
      }
    }
    if (!fired.empty()) sum += log_shared(fired, fired_error, 1.0, fired_spread, odd);
    if (!gap.empty()) sum += log_shared(gap, gap_error, level_of_gap, spread_of_gap, odd);
  }
  return sum;
}

}  // namespace pipebeat::core
