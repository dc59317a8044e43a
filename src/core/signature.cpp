#include "core/signature.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <vector>

#include "core/gaps.hpp"

namespace pipebeat::core {

namespace {

std::optional<double> lines_apart(const Engine& engine, const Finding& a, const Finding& b) {
  constexpr double floor_db = -10.0;  // below, a line is told from noise by chance only
  const std::size_t lines = std::min({a.order_lines.size(), b.order_lines.size(),
                                      std::max<std::size_t>(12, 3 * engine.positions().size())});
  double sum = 0.0;
  double count = 0.0;
  for (std::size_t k = 0; k < lines; ++k) {
    const double x = std::max<double>(a.order_lines[k].level_db, floor_db);
    const double y = std::max<double>(b.order_lines[k].level_db, floor_db);
    if (std::max(x, y) <= floor_db) continue;
    sum += (x - y) * (x - y);
    count += 1.0;
  }
  if (count < 3.0) return std::nullopt;
  return std::sqrt(sum / count);
}

std::optional<double> levels_apart(const Engine& engine, const Finding& a, const Finding& b) {
  const std::size_t P = engine.positions().size();
  if (P < 2 || a.events.empty() || b.events.empty()) return std::nullopt;
  const std::vector<double> x = level_row(a.events, P).level;
  const std::vector<double> y = level_row(b.events, P).level;
  double best = std::numeric_limits<double>::infinity();
  const GapModel model{engine};
  for (int turn : model.turns()) {
    double sum = 0.0;
    for (std::size_t j = 0; j < P; ++j) {
      sum += std::pow(x[j] - y[(j + static_cast<std::size_t>(turn)) % P], 2);
    }
    best = std::min(best, std::sqrt(sum / static_cast<double>(P)));
  }
  return best;
}

/// One bell of a mixture over the logarithm of a difference.
struct Bell {
  double share;
  double centre;
  double width;
};

double log_density(double difference, std::span<const Bell> bells) {
  const double x = std::log(std::max(difference, 1e-3));
  double sum = 0.002;  // an odd recording must not outvote the rest
  for (const Bell& b : bells) {
    const double z = (x - b.centre) / b.width;
    sum += b.share / b.width * std::exp(-0.5 * z * z) / std::sqrt(6.283185307);
  }
  return std::log(sum);
}

}  // namespace

Difference difference(const Engine& engine, const Finding& a, const Finding& b) {
  return {lines_apart(engine, a, b), levels_apart(engine, a, b)};
}

double log_odds_same(const Difference& difference) {
  // From synthesised drop tests and pairs. The second bell of "same": microphone or place moved.
  static constexpr std::array<Bell, 2> lines_same{{{0.8, 0.8, 0.45}, {0.2, 2.1, 0.4}}};
  static constexpr std::array<Bell, 1> lines_other{{{1.0, 1.95, 0.5}}};
  static constexpr std::array<Bell, 2> levels_same{{{0.7, -3.0, 0.7}, {0.3, -1.2, 0.5}}};
  static constexpr std::array<Bell, 1> levels_other{{{1.0, -0.95, 0.4}}};
  constexpr double shared = 0.8;  // both readings come from one sound: they count for less than two
  double sum = 0.0;
  if (difference.lines_db) {
    sum += log_density(*difference.lines_db, lines_same) -
           log_density(*difference.lines_db, lines_other);
  }
  if (difference.levels) {
    sum += log_density(*difference.levels, levels_same) -
           log_density(*difference.levels, levels_other);
  }
  return shared * sum;
}

std::optional<MeanSpeed> mean_speed(const Finding& finding) {
  if (!finding.speed) return std::nullopt;
  // Idle wanders slowly: neighbouring cycles are no independent readings, seconds nearly are.
  constexpr float block_s = 1.0F;
  std::vector<double> blocks;
  double sum = 0.0;
  double count = 0.0;
  float end = -1.0F;
  for (const SpeedPoint& p : finding.speed_trace) {
    if (std::isnan(p.rpm)) continue;
    if (end < 0.0F) end = p.time_s + block_s;
    if (p.time_s > end) {
      if (count > 0.0) blocks.push_back(sum / count);
      sum = count = 0.0;
      while (p.time_s > end) end += block_s;
    }
    sum += p.rpm;
    count += 1.0;
  }
  if (count > 0.0) blocks.push_back(sum / count);
  const double mean = finding.speed->mean.value();
  const auto n = static_cast<double>(blocks.size());
  double square = 0.0;
  double centre = 0.0;
  for (double v : blocks) centre += v / n;
  for (double v : blocks) square += (v - centre) * (v - centre);
  // A single block says nothing about its scatter: an idle wanders by about 1 %.
  const double spread = n > 1.0 ? std::sqrt(square / (n - 1.0)) : 0.01 * mean;
  return MeanSpeed{mean, std::max(spread, 0.001 * mean) / std::sqrt(std::max(n, 1.0))};
}

}  // namespace pipebeat::core
