// Pipes against textbook formulas, cylinders against what gas must do.
#include <doctest/doctest.h>

#include <cmath>
#include <complex>
#include <numbers>

#include "gas.hpp"
#include "random.hpp"

using namespace pipebeat::synth;

namespace {

constexpr double rate = 48000.0;
constexpr double kelvin = 600.0;
// sqrt(kappa R T) with the constants of gas.cpp.
const double sound_speed = std::sqrt(1.33 * 287.0 * kelvin);
constexpr double lossless_hz = 1e9;

/// Length that takes so many samples.
double length_of(int samples) { return samples * sound_speed / rate; }

/// Fourier sum of a signal at one frequency.
std::complex<double> line(const Signal& x, double hz) {
  std::complex<double> sum{};
  for (std::size_t i = 0; i < x.size(); ++i)
    sum += x[i] * std::polar(1.0, -2.0 * std::numbers::pi * hz * static_cast<double>(i) / rate);
  return sum;
}

/// A healthy inline four with cylinder 1 as it is told, on a crank that turns at 700 rpm.
CrankRun steady_four(bool first_fires, double seconds) {
  CrankRun run;
  const double slot_s = 30.0 / 700.0;
  const int order[] = {1, 3, 4, 2};
  for (int i = 0; i * slot_s < seconds; ++i) {
    const int cylinder = order[i % 4];
    const bool fires = cylinder != 1 || first_fires;
    run.events.push_back(
        {i * slot_s, cylinder, fires, fires ? 1.0 : 0.0, true, true, 700.0, 1.0, false});
  }
  run.rpm.assign(static_cast<std::size_t>(seconds / CrankRun::step_s) + 1, 700.0);
  return run;
}

}  // namespace

TEST_CASE("an expansion chamber holds back what its formula says") {
  // Davis, Stokes, Moore & Stevens, NACA report 1192 (1954), from memory: transmission loss of a
  // chamber of area ratio m and length L is 10 log10(1 + 1/4 (m - 1/m)^2 sin^2 kL).
  constexpr double m = 9.0;
  constexpr int chamber = 30;  // samples long
  PipeNetwork pipes{rate};
  const int in = pipes.add_node();
  const int before = pipes.add_node();
  const int after = pipes.add_node();
  const int out = pipes.add_node();
  pipes.add_pipe(in, before, length_of(5), 1e-3, kelvin, 1.0, lossless_hz);
  pipes.add_pipe(before, after, length_of(chamber), m * 1e-3, kelvin, 1.0, lossless_hz);
  pipes.add_pipe(after, out, length_of(5), 1e-3, kelvin, 1.0, lossless_hz);
  Signal passed(8000, 0.0);  // nothing comes back from either end
  for (std::size_t i = 0; i < passed.size(); ++i) {
    passed[i] = pipes.arriving(out);
    pipes.send(in, i == 0 ? 1.0 : 0.0);
    pipes.step();
  }
  for (const double hz : {100.0, 250.0, 400.0, 700.0, 800.0, 1100.0}) {
    CAPTURE(hz);
    const double kl = 2.0 * std::numbers::pi * hz * chamber / rate;
    const double s = std::sin(kl);
    const double loss_db = 10.0 * std::log10(1.0 + 0.25 * (m - 1.0 / m) * (m - 1.0 / m) * s * s);
    CHECK(std::abs(-20.0 * std::log10(std::abs(line(passed, hz))) - loss_db) < 0.1);
  }
}

TEST_CASE("a pipe closed at one end rings at odd quarter waves") {
  // f = (2 n - 1) c / 4 L: any textbook of acoustics.
  constexpr int samples = 60;
  PipeNetwork pipes{rate};
  const int closed = pipes.add_node();
  const int open = pipes.add_node();
  pipes.add_pipe(closed, open, length_of(samples), 1e-3, kelvin, 0.99, lossless_hz);
  Signal heard(20000, 0.0);
  for (std::size_t i = 0; i < heard.size(); ++i) {
    heard[i] = pipes.arriving(closed);
    pipes.send(closed, pipes.arriving(closed) + (i == 0 ? 1.0 : 0.0));
    pipes.send(open, -pipes.arriving(open));
    pipes.step();
  }
  const double quarter = sound_speed / (4.0 * length_of(samples));
  CHECK(quarter == doctest::Approx(200.0));
  for (int n = 1; n <= 3; ++n) {
    CAPTURE(n);
    const double strong = std::abs(line(heard, (2 * n - 1) * quarter));
    CHECK(strong > 20.0 * std::abs(line(heard, 2 * n * quarter)));
    CHECK(strong > 5.0 * std::abs(line(heard, (2 * n - 1) * quarter * 1.05)));
  }
}

TEST_CASE("where three pipes meet no power is lost") {
  PipeNetwork pipes{rate};
  const int ends[] = {pipes.add_node(), pipes.add_node(), pipes.add_node()};
  const int middle = pipes.add_node();
  const double areas[] = {1e-3, 0.4e-3, 2.5e-3};
  for (int i = 0; i < 3; ++i)
    pipes.add_pipe(ends[i], middle, length_of(4), areas[i], kelvin, 1.0, lossless_hz);
  double power = 0.0;
  for (int step = 0; step < 20; ++step) {
    for (const int end : ends) {
      const double p = pipes.arriving(end);
      power += p * p * pipes.admittance(end);
      pipes.send(end, step == 0 && end == ends[0] ? 1.0 : 0.0);
    }
    pipes.step();
  }
  CHECK(power == doctest::Approx(pipes.admittance(ends[0])));
}

TEST_CASE("a cylinder that did not fire breathes in before it breathes out") {
  // At idle the throttle leaves a third of outside pressure in it (design rule of the trade, no
  // source).
  Scene scene;
  scene.duration_s = 3.0;
  scene.engine.muffler = 0;
  scene.engine.catalyst = false;
  scene.engine.idle_rpm = 700.0;
  const auto layout = engine_of(scene.engine);
  for (const std::uint64_t seed : {1U, 2U, 3U, 4U, 5U, 6U}) {
    CAPTURE(seed);
    scene.engine.seed = seed;
    const Signal healthy = mouth_flow(scene, layout, steady_four(true, 3.0), rate);
    const Signal dead = mouth_flow(scene, layout, steady_four(false, 3.0), rate);
    // What cylinder 1 alone changes, from its valve's opening on: first less flow, then more.
    const auto from = static_cast<std::size_t>(12 * 4 * 30.0 / 700.0 * rate);
    double lowest = 0.0;
    double highest = 0.0;
    std::size_t when_lowest = 0;
    std::size_t when_highest = 0;
    for (std::size_t i = from; i < from + static_cast<std::size_t>(0.07 * rate); ++i) {
      const double change = dead[i] - healthy[i];
      if (change < lowest) lowest = change, when_lowest = i;
      if (change > highest) highest = change, when_highest = i;
    }
    CHECK(lowest < 0.0);
    CHECK(-lowest > 0.5 * highest);
    CHECK(when_lowest < when_highest);
    CHECK(std::isfinite(highest));
  }
}

TEST_CASE("what the cylinders take in leaves at the mouth") {
  Scene scene;
  scene.duration_s = 6.0;
  scene.engine.idle_rpm = 700.0;
  const auto layout = engine_of(scene.engine);
  for (const std::uint64_t seed : {1U, 2U, 3U}) {
    CAPTURE(seed);
    scene.engine.seed = seed;
    const Signal flow = mouth_flow(scene, layout, steady_four(true, 6.0), rate);
    double mean = 0.0;
    const auto from = static_cast<std::size_t>(2.0 * rate);
    for (std::size_t i = from; i < flow.size(); ++i)
      mean += flow[i] / static_cast<double>(flow.size() - from);
    // Four cylinders of 0.09 each; hotter at the valves than the unit assumes, less what goes back
    // into the inlet.
    CHECK(mean > 0.18);
    CHECK(mean < 0.6);
  }
}
