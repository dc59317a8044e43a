#include "core/trigger.hpp"

#include <algorithm>
#include <cmath>

#include "core/statistics.hpp"

namespace pipebeat::core {

namespace {

constexpr double slot_s = 0.002;
constexpr double longest_s = 1800.0;
constexpr double stands_out = 6.0;     // pulses over the median slot
constexpr double dead_time_s = 0.008;  // a pulse rings
constexpr double hop_s = 0.005;
constexpr int most_missing = 3;  // pulses in a row that are filled in

}  // namespace

TriggerChannel::TriggerChannel(Hertz sample_rate)
    : rate_{sample_rate.value()},
      slot_{static_cast<std::size_t>(std::max(1.0, slot_s * sample_rate.value()))} {}

void TriggerChannel::push(std::span<const float> samples) {
  for (const float x : samples) {
    if (static_cast<double>(peaks_.size() * slot_) > longest_s * rate_) return;
    const float slope = std::isfinite(x) ? std::abs(x - last_) : 0.0F;
    if (std::isfinite(x)) last_ = x;
    if (slope > peak_) {
      peak_ = slope;
      best_in_slot_ = in_slot_;
    }
    if (++in_slot_ < slot_) continue;
    peaks_.push_back(peak_);
    at_.push_back(static_cast<float>(best_in_slot_));
    peak_ = 0.0F;
    in_slot_ = best_in_slot_ = 0;
  }
}

std::vector<double> TriggerChannel::pulse_times() const {
  if (peaks_.empty()) return {};
  // Pulses come one in 20 to 100 slots: the median is the floor, the highest of each half second
  // their usual height.
  const double floor = median({peaks_.begin(), peaks_.end()});
  std::vector<double> tops;
  const auto half_second = static_cast<std::size_t>(0.5 / slot_s);
  for (std::size_t i = 0; i + half_second <= peaks_.size(); i += half_second) {
    tops.push_back(
        *std::max_element(peaks_.begin() + static_cast<std::ptrdiff_t>(i),
                          peaks_.begin() + static_cast<std::ptrdiff_t>(i + half_second)));
  }
  if (tops.empty()) return {};
  const double top = median(tops);
  if (top < stands_out * std::max(floor, 1e-6)) return {};
  const double threshold = std::max(0.4 * top, 0.5 * stands_out * floor);
  std::vector<double> times;
  for (std::size_t i = 0; i < peaks_.size(); ++i) {
    if (peaks_[i] < threshold) continue;
    const double t = (static_cast<double>(i * slot_) + static_cast<double>(at_[i])) / rate_;
    if (times.empty() || t - times.back() > dead_time_s) times.push_back(t);
  }
  return times;
}

std::optional<Trigger> TriggerChannel::trigger(const Engine& engine, Hertz cycle) const {
  constexpr std::size_t fewest = 12;
  const std::vector<double> times = pulse_times();
  if (times.size() < fewest) return std::nullopt;
  std::vector<double> gaps;
  for (std::size_t i = 1; i < times.size(); ++i) gaps.push_back(times[i] - times[i - 1]);
  const double usual = median(gaps);
  Trigger out;
  out.pulses = times.size();
  out.pulses_a_cycle = 1.0 / (cycle.value() * usual);
  const auto near = [&](double n) { return std::abs(out.pulses_a_cycle / n - 1.0) < 0.15; };
  if (near(1.0)) out.rate = TriggerRate::once_a_cycle;
  if (near(2.0) && engine.strokes() == 4) out.rate = TriggerRate::every_turn;
  if (out.rate == TriggerRate::other) return out;

  const double step = out.rate == TriggerRate::every_turn ? 0.5 : 1.0;
  std::vector<double> knots{times.front()};
  std::vector<double> phase{0.0};
  // Where it begins the engine may turn far slower than on average.
  constexpr std::ptrdiff_t first_gaps = 5;
  double period = median({gaps.begin(), gaps.begin() + first_gaps});
  for (std::size_t i = 1; i < times.size(); ++i) {
    const double count = (times[i] - knots.back()) / period;
    if (count < 0.6) continue;  // an echo, or a knock between
    const double whole = std::round(count);
    if (whole > most_missing + 1 || std::abs(count - whole) > 0.3) break;
    knots.push_back(times[i]);
    phase.push_back(phase.back() + step * whole);
    period += 0.5 * ((knots.back() - knots[knots.size() - 2]) / whole - period);
  }
  out.phase.start_s = knots.front();
  out.phase.hop_s = hop_s;
  std::size_t i = 0;
  const auto hops = static_cast<std::size_t>((knots.back() - knots.front()) / hop_s);
  for (std::size_t hop = 0; hop <= hops; ++hop) {
    const double t = knots.front() + hop_s * static_cast<double>(hop);
    while (i + 2 < knots.size() && knots[i + 1] <= t) ++i;
    if (i + 1 >= knots.size()) break;
    const double share = (t - knots[i]) / (knots[i + 1] - knots[i]);
    out.phase.cycles.push_back(phase[i] + share * (phase[i + 1] - phase[i]));
  }
  return out;
}

}  // namespace pipebeat::core
