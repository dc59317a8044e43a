#include "pipebeat/engine.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <numeric>

namespace pipebeat {

namespace {

constexpr int max_cylinders = 16;
constexpr double sum_tolerance_deg = 0.5;

std::string joined(std::span<const int> values) {
  std::string text;
  for (int v : values) {
    if (!text.empty()) text += '-';
    text += std::to_string(v);
  }
  return text;
}

Result<std::vector<int>> checked_order(const EngineSpec& spec) {
  std::vector<int> order = spec.order;
  if (order.empty()) {
    order.resize(static_cast<std::size_t>(spec.cylinders));
    std::iota(order.begin(), order.end(), 1);
    return order;
  }
  std::vector<int> sorted = order;
  std::sort(sorted.begin(), sorted.end());
  for (int c = 1; c <= spec.cylinders; ++c) {
    if (sorted.size() != static_cast<std::size_t>(spec.cylinders) ||
        sorted[static_cast<std::size_t>(c - 1)] != c) {
      return fail(ErrorCode::bad_argument,
                  "firing order " + joined(order) + " does not name cylinders 1 to " +
                      std::to_string(spec.cylinders) + " once each",
                  "write it as in the handbook, for example --order 1-3-4-2");
    }
  }
  return order;
}

Result<std::vector<double>> checked_intervals(const EngineSpec& spec) {
  const double cycle = spec.strokes == 4 ? 720.0 : 360.0;
  std::vector<double> intervals = spec.intervals_deg;
  if (intervals.empty()) {
    intervals.assign(static_cast<std::size_t>(spec.cylinders), cycle / spec.cylinders);
    return intervals;
  }
  const double sum = std::accumulate(intervals.begin(), intervals.end(), 0.0);
  const bool positive =
      std::all_of(intervals.begin(), intervals.end(), [](double i) { return i > 0.0; });
  if (intervals.size() != static_cast<std::size_t>(spec.cylinders) || !positive ||
      !(std::abs(sum - cycle) <= sum_tolerance_deg)) {
    return fail(ErrorCode::bad_argument,
                "the intervals must be " + std::to_string(spec.cylinders) +
                    " positive crank angles that add up to " +
                    std::to_string(static_cast<int>(cycle)) + " degrees",
                "give one per cylinder in firing order, for example --intervals 90,150,90,150,90,150");
  }
  for (double& i : intervals) i *= cycle / sum;
  return intervals;
}

Result<std::vector<int>> checked_heard(const EngineSpec& spec) {
  std::vector<int> heard = spec.heard;
  if (heard.empty()) {
    heard.resize(static_cast<std::size_t>(spec.cylinders));
    std::iota(heard.begin(), heard.end(), 1);
    return heard;
  }
  std::sort(heard.begin(), heard.end());
  const bool doubled = std::adjacent_find(heard.begin(), heard.end()) != heard.end();
  if (doubled || heard.front() < 1 || heard.back() > spec.cylinders) {
    return fail(ErrorCode::bad_argument,
                "heard cylinders " + joined(heard) + " are not among 1 to " +
                    std::to_string(spec.cylinders) + ", or one is named twice",
                "name each cylinder whose exhaust reaches this pipe once, for example --heard 1,2,3,4");
  }
  return heard;
}

}  // namespace

Result<Engine> Engine::make(const EngineSpec& spec) {
  if (spec.cylinders < 1 || spec.cylinders > max_cylinders) {
    return fail(ErrorCode::bad_argument,
                std::to_string(spec.cylinders) + " cylinders is out of range",
                "give 1 to " + std::to_string(max_cylinders) + ", for example --cylinders 4");
  }
  if (spec.strokes != 4 && spec.strokes != 2) {
    return fail(ErrorCode::bad_argument, std::to_string(spec.strokes) + " strokes is out of range",
                "give --strokes 4 or --strokes 2");
  }
  auto order = checked_order(spec);
  if (!order) return tl::unexpected(order.error());
  auto intervals = checked_intervals(spec);
  if (!intervals) return tl::unexpected(intervals.error());
  auto heard = checked_heard(spec);
  if (!heard) return tl::unexpected(heard.error());

  Engine engine;
  engine.cylinders_ = spec.cylinders;
  engine.strokes_ = spec.strokes;
  engine.order_ = *order;
  double angle = 0.0;
  double first_heard = -1.0;
  for (std::size_t i = 0; i < order->size(); ++i) {
    const int cylinder = (*order)[i];
    if (std::binary_search(heard->begin(), heard->end(), cylinder)) {
      if (first_heard < 0.0) first_heard = angle;
      engine.positions_.push_back({cylinder, CrankAngle{angle - first_heard}});
    }
    angle += (*intervals)[i];
  }
  return engine;
}

bool Engine::even_fire() const {
  const double cycle_deg = cycle().value();
  const double step = cycle_deg / static_cast<double>(positions_.size());
  for (std::size_t i = 0; i < positions_.size(); ++i) {
    if (std::abs(positions_[i].angle.value() - step * static_cast<double>(i)) > 1.0) return false;
  }
  return true;
}

std::vector<int> Engine::turns() const {
  const auto P = static_cast<int>(positions_.size());
  const auto angle = [&](int i) {
    return positions_[static_cast<std::size_t>(i % P)].angle.value() + (i >= P ? cycle().value() : 0.0);
  };
  std::vector<int> turns;
  for (int turn = 0; turn < P; ++turn) {
    bool same = true;
    for (int i = 0; i < P && same; ++i) {
      same = std::abs((angle(i + turn) - angle(turn)) - angle(i)) < 1.0;
    }
    if (same) turns.push_back(turn);
  }
  return turns;
}

std::complex<double> Engine::line(int k) const {
  std::complex<double> sum{};
  for (const FiringPosition& p : positions_) {
    sum += std::polar(1.0, -2.0 * std::numbers::pi * k * p.angle.value() / cycle().value());
  }
  return sum / static_cast<double>(positions_.size());
}

Hertz Engine::cycle_frequency(Rpm speed) const {
  return Hertz{speed.value() / 60.0 * 360.0 / cycle().value()};
}

Rpm Engine::speed(Hertz cycle_frequency) const {
  return Rpm{cycle_frequency.value() * 60.0 * cycle().value() / 360.0};
}

Hertz Engine::firing_frequency(Rpm speed) const {
  return cycle_frequency(speed) * static_cast<double>(positions_.size());
}

std::span<const BuiltinEngine> builtin_engines() {
  // Firing orders: the usual ones of each layout as workshop handbooks print them (common practice,
  // no single source); the intervals follow from crank and bank angle.
  static const std::array<BuiltinEngine, 20> table{{
      {"inline3", "three in line, 240 degrees apart", {3, 4, {1, 3, 2}, {}, {}}},
      {"inline4", "four in line, flat crank", {4, 4, {1, 3, 4, 2}, {}, {}}},
      {"inline5", "five in line", {5, 4, {1, 2, 4, 5, 3}, {}, {}}},
      {"inline6", "six in line", {6, 4, {1, 5, 3, 6, 2, 4}, {}, {}}},
      {"v6", "V6, even fire, both banks heard", {6, 4, {1, 2, 3, 4, 5, 6}, {}, {}}},
      {"v6-oddfire", "90-degree V6 with common crank pins", {6, 4, {1, 6, 5, 4, 3, 2}, {90, 150, 90, 150, 90, 150}, {}}},
      {"v8", "V8, cross-plane crank, both banks heard", {8, 4, {1, 8, 4, 3, 6, 5, 7, 2}, {}, {}}},
      {"v8-bank", "V8, cross-plane crank, one bank heard", {8, 4, {1, 3, 7, 2, 6, 5, 4, 8}, {}, {1, 2, 3, 4}}},
      {"v8-flat", "V8, flat crank, both banks heard", {8, 4, {1, 5, 3, 7, 4, 8, 2, 6}, {}, {}}},
      {"v10", "V10, even fire", {10, 4, {1, 6, 5, 10, 2, 7, 3, 8, 4, 9}, {}, {}}},
      {"v12", "V12, even fire", {12, 4, {1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9}, {}, {}}},
      {"flat4", "four, boxer", {4, 4, {1, 3, 2, 4}, {}, {}}},
      {"flat6", "six, boxer", {6, 4, {1, 6, 2, 4, 3, 5}, {}, {}}},
      {"twin360", "parallel twin, 360-degree crank (even fire)", {2, 4, {1, 2}, {}, {}}},
      {"twin270", "parallel twin, 270-degree crank", {2, 4, {1, 2}, {270, 450}, {}}},
      {"vtwin45", "45-degree V-twin, one crank pin", {2, 4, {1, 2}, {315, 405}, {}}},
      {"single", "one cylinder, four-stroke", {1, 4, {}, {}, {}}},
      {"twostroke-single", "one cylinder, two-stroke", {1, 2, {}, {}, {}}},
      {"twostroke-twin", "two cylinders, two-stroke, 180 degrees apart", {2, 2, {1, 2}, {}, {}}},
      {"diesel4", "four in line, diesel", {4, 4, {1, 3, 4, 2}, {}, {}}},
  }};
  return table;
}

std::optional<EngineSpec> builtin_engine(std::string_view name) {
  for (const BuiltinEngine& e : builtin_engines()) {
    if (e.name == name) return e.spec;
  }
  return std::nullopt;
}

}  // namespace pipebeat
