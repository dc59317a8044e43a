// What a contact microphone or a mechanic's stethoscope hears at an injector: its own needle, the
// neighbours' through the rail, and the engine's thudding.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "random.hpp"
#include "render.hpp"

namespace pipebeat::synth {

namespace {

/// A needle hitting its stop: a short ringing of steel.
void add_click(Signal& x, double rate, double start_s, double level, double hz) {
  if (start_s < 0.0) return;
  constexpr double decay_s = 0.0008;
  const auto from = static_cast<std::size_t>(start_s * rate);
  const auto to = std::min(x.size(), from + static_cast<std::size_t>(8.0 * decay_s * rate));
  for (std::size_t i = from; i < to; ++i) {
    const double t = static_cast<double>(i - from) / rate;
    x[i] += level * std::exp(-t / decay_s) * std::sin(2.0 * std::numbers::pi * hz * t);
  }
}

}  // namespace

Signal contact_sound(const Scene& scene, const Engine& layout, const CrankRun& run, double rate) {
  const Contact& contact = scene.contact;
  const auto frames = static_cast<std::size_t>(std::lround(scene.duration_s * rate));
  Signal x(frames, 0.0);
  Random fixed{scene.engine.seed, 80};
  Random random{scene.seed, 81};
  const double through_rail = std::pow(10.0, -fixed.uniform(18.0, 26.0) / 20.0);
  const double ring_hz = fixed.uniform(3500.0, 6000.0);
  const double open_for_s = fixed.uniform(0.0022, 0.0035);
  const auto listed = [](const std::vector<int>& list, int c) {
    return std::find(list.begin(), list.end(), c) != list.end();
  };
  const double cycle_deg = layout.cycle().value();
  for (const Event& e : run.events) {
    if (e.rpm < 100.0) continue;
    // The exhaust opening gives the beat; injection lies a fixed crank angle away from it.
    const double per_deg = 1.0 / (6.0 * e.rpm);
    const double missed = random.unit();
    const double strength = std::exp(0.08 * random.normal());
    const double thud = std::exp(0.2 * random.normal());
    add_click(x, rate, e.time_s, 0.06 * thud, 700.0);  // a valve closing under the cover
    if (listed(contact.silent, e.cylinder)) continue;
    double level = e.cylinder == contact.cylinder ? 1.0 : through_rail;
    if (listed(contact.weak, e.cylinder)) level *= 0.3;
    if (e.cylinder == contact.cylinder && missed < contact.missed) continue;
    const int times = contact.batch ? 2 : 1;
    for (int k = 0; k < times; ++k) {
      const double at = e.time_s + (0.15 + 0.5 * k) * cycle_deg * per_deg;
      add_click(x, rate, at, level * strength, ring_hz);
      add_click(x, rate, at + open_for_s, 0.6 * level * strength, 1.15 * ring_hz);
    }
  }
  // Combustion and cranktrain: a low rumble, and the rustle of the fuel.
  OnePole low{180.0, rate};
  for (double& v : x) {
    const double rumble = 0.8 * low(random.noise());
    v += rumble + 0.004 * random.noise();
  }
  return x;
}

}  // namespace pipebeat::synth
