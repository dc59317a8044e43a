#include "variation.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>

using nlohmann::json;

namespace {

/// Even numbers from 0 to 1, the same on every machine.
class Draws {
 public:
  explicit Draws(std::uint64_t seed) : source_{seed} {}
  double operator()() { return static_cast<double>(source_() >> 11U) * 0x1p-53; }
  double between(double low, double high) { return low + (high - low) * (*this)(); }
  double between_octaves(double low, double high) { return low * std::pow(high / low, (*this)()); }

 private:
  std::mt19937_64 source_;
};

/// First order: what lies below `hertz`.
void keep_low(std::vector<float>& sound, double hertz, double rate_hz) {
  const auto step = static_cast<float>(1.0 - std::exp(-2.0 * std::numbers::pi * hertz / rate_hz));
  float low = 0.0F;
  for (float& x : sound) x = low += step * (x - low);
}

double rms(const std::vector<float>& sound) {
  double sum = 1e-30;
  for (const float x : sound) sum += static_cast<double>(x) * static_cast<double>(x);
  return std::sqrt(sum / static_cast<double>(std::max<std::size_t>(1, sound.size())));
}

}  // namespace

Variation variation_of(std::uint64_t seed) {
  Draws draw{seed};
  Variation v;
  v.seed = seed;
  v.faster = draw.between_octaves(0.84, 1.2);
  v.tilt_hz = draw.between_octaves(150.0, 1500.0);
  v.tilt = std::pow(10.0, draw.between(-8.0, 8.0) / 20.0);
  const bool cut = draw() < 0.5;
  v.low_cut_hz = draw.between_octaves(15.0, 150.0);
  v.low_cuts = cut ? (draw() < 0.5 ? 1 : 2) : 0;
  const bool noisy = draw() < 0.5;
  const double noise_db = draw.between(-30.0, -8.0);
  v.noise = noisy ? std::pow(10.0, noise_db / 20.0) : 0.0;
  v.hiss = draw();
  return v;
}

void vary(std::vector<float>& sound, double rate_hz, const Variation& v) {
  std::vector<float> low = sound;
  keep_low(low, v.tilt_hz, rate_hz);
  for (std::size_t i = 0; i < sound.size(); ++i)
    sound[i] = low[i] + static_cast<float>(v.tilt) * (sound[i] - low[i]);
  for (int cut = 0; cut < v.low_cuts; ++cut) {
    low = sound;
    keep_low(low, v.low_cut_hz, rate_hz);
    for (std::size_t i = 0; i < sound.size(); ++i) sound[i] -= low[i];
  }
  if (v.noise <= 0.0) return;
  Draws draw{v.seed + 1};
  std::vector<float> hiss(sound.size());
  for (float& x : hiss) x = static_cast<float>(draw() + draw() + draw() - 1.5);
  low = hiss;
  keep_low(low, 200.0, rate_hz);
  const double level = v.noise * rms(sound);
  const auto white = static_cast<float>(level * v.hiss / rms(hiss));
  const auto rumble = static_cast<float>(level * (1.0 - v.hiss) / rms(low));
  for (std::size_t i = 0; i < sound.size(); ++i) sound[i] += white * hiss[i] + rumble * low[i];
}

json label_of(json label, const Variation& v) {
  for (const char* key : {"rpm_mean_running", "rpm_about"}) {
    if (label.contains(key) && label[key].is_number())
      label[key] = label[key].get<double>() * v.faster;
  }
  label["duration"] = label.at("duration").get<double>() / v.faster;
  if (label.contains("rpm_trace")) {
    const json& trace = label["rpm_trace"];
    json faster = json::array();
    double at = 0.0;
    while (at < static_cast<double>(trace.size())) {
      faster.push_back(trace[static_cast<std::size_t>(at)].get<double>() * v.faster);
      at += v.faster;
    }
    label["rpm_trace"] = std::move(faster);
  }
  if (label.contains("events")) {
    for (json& e : label["events"]) e[0] = e[0].get<double>() / v.faster;
  }
  return label;
}

Part part_of(const json& label, double seconds, std::size_t number) {
  const double duration = label.at("duration");
  double whole = 0.0;
  const double anywhere = std::modf(static_cast<double>(number) * std::numbers::phi, &whole);
  const double begin = std::max(0.0, duration - seconds) * anywhere;
  return {begin, std::min(duration, begin + seconds)};
}

json label_of(json label, const Part& part) {
  double sum = 0.0;
  double running = 0.0;
  const json trace = label.value("rpm_trace", json::array());
  constexpr double hop_s = 0.05;
  for (std::size_t i = 0; i < trace.size(); ++i) {
    const double at = static_cast<double>(i) * hop_s;
    if (at < part.begin_s || at >= part.end_s || !(trace[i] > 0.0)) continue;
    sum += trace[i].get<double>();
    running += 1.0;
  }
  if (!trace.empty()) label["rpm_mean_running"] = running > 0.0 ? sum / running : 0.0;
  int missing = 0;
  int expected = 0;
  for (const json& e : label.value("events", json::array())) {
    if (e[0] < part.begin_s || e[0] >= part.end_s || e[4] != 1 || e[5] != 1) continue;
    ++expected;
    missing += e[2] == 0 ? 1 : 0;
  }
  if (missing == 0 && (label["class"] == "intermittent" || label["class"] == "scattered"))
    label["class"] = "even";
  if (expected > 0) label["missing_ratio"] = static_cast<double>(missing) / expected;
  label["duration"] = part.end_s - part.begin_s;
  return label;
}
