#include "gas.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <utility>

#include "random.hpp"

namespace pipebeat::synth {

namespace {

// SI units throughout. Gas constants of air, which burnt gas differs from by a few percent.
constexpr double gamma = 1.33;
constexpr double gas_constant = 287.0;
constexpr double outside_pa = 1.0e5;
constexpr double discharge = 0.65;

double sound_speed(double kelvin) { return std::sqrt(gamma * gas_constant * kelvin); }

double circle(double diameter_m) { return 0.25 * std::numbers::pi * diameter_m * diameter_m; }

}  // namespace

int PipeNetwork::add_node() {
  nodes_.emplace_back();
  return static_cast<int>(nodes_.size()) - 1;
}

void PipeNetwork::add_pipe(int from, int to, double length_m, double area_m2, double kelvin,
                           double kept, double loss_hz) {
  const double c = sound_speed(kelvin);
  const auto delay = static_cast<std::size_t>(std::max(1.0, std::round(length_m / c * rate_hz_)));
  const int number = static_cast<int>(pipes_.size());
  pipes_.push_back({std::vector<double>(delay, 0.0), std::vector<double>(delay, 0.0), 0,
                    OnePole{loss_hz, rate_hz_}, OnePole{loss_hz, rate_hz_}, kept});
  const double admittance = area_m2 * c / (gamma * outside_pa);  // A / (rho c), rho = gamma p / c^2
  for (const auto& [node, far] : {std::pair{from, false}, std::pair{to, true}}) {
    Node& n = nodes_[static_cast<std::size_t>(node)];
    if (n.ends.size() == n.leaving.size())
      throw std::logic_error("too many pipes meet in one place");
    n.ends.push_back({number, far, admittance});
  }
}

void PipeNetwork::step() {
  for (Node& node : nodes_) {
    if (node.ends.size() == 1) {
      node.leaving[0] = node.sent;
      continue;
    }
    double flow = 0.0;
    double all = 0.0;
    for (const End& end : node.ends) {
      flow += end.admittance * arriving_at(end);
      all += end.admittance;
    }
    const double pressure = 2.0 * flow / all;
    for (std::size_t i = 0; i < node.ends.size(); ++i)
      node.leaving[i] = pressure - arriving_at(node.ends[i]);
  }
  for (Node& node : nodes_) {
    for (std::size_t i = 0; i < node.ends.size(); ++i) {
      Pipe& pipe = pipes_[static_cast<std::size_t>(node.ends[i].pipe)];
      if (node.ends[i].far) {
        pipe.back[pipe.at] = pipe.kept * pipe.back_loss(node.leaving[i]);
      } else {
        pipe.forth[pipe.at] = pipe.kept * pipe.forth_loss(node.leaving[i]);
      }
    }
  }
  for (Pipe& pipe : pipes_) pipe.at = pipe.at + 1 == pipe.forth.size() ? 0 : pipe.at + 1;
}

namespace {

/// What is the same for all cylinders of an engine.
struct Build {
  double swept_m3, compression, valve_m2, open_deg, lasts_deg, intake_pa, charge_kelvin,
      fired_ratio, overlap_m2;
};

struct Cylinder {
  int port = -1;  ///< node
  double gain = 1.0;
  bool open = false;
  double turned_deg = 0.0;
  double mass_kg = 0.0;
  double pressure_pa = 0.0;
  double intake_pa = 0.0;
};

double volume(const Build& b, double deg_after_top) {
  const double clearance = b.swept_m3 / (b.compression - 1.0);
  const double angle = deg_after_top * std::numbers::pi / 180.0;
  constexpr double rod = 3.5;  // connecting rod over crank radius, usual
  const double s = std::sin(angle);
  const double travel = 0.5 * (1.0 - std::cos(angle) + rod - std::sqrt(rod * rod - s * s));
  return clearance + b.swept_m3 * travel;
}

/// Mass flow out of the cylinder through its valve in this step, implicit in the pressures on both
/// sides: at small differences an orifice is far stiffer than a step is short.
double through_valve(const Cylinder& c, double area, double arriving, double admittance,
                     double volume_m3, double dt, double pipe_density) {
  const double density_here = c.mass_kg / volume_m3;
  const double difference = c.pressure_pa - outside_pa - 2.0 * arriving;
  const double density = difference > 0.0 ? density_here : pipe_density;
  const double k = discharge * area * std::sqrt(2.0 * density);
  const double give =
      1.0 / (admittance * pipe_density) + dt * gamma * c.pressure_pa / (volume_m3 * density_here);
  const double size = std::min(std::abs(difference), 0.5 * std::max(c.pressure_pa, outside_pa));
  const double flow =
      0.5 * (std::sqrt(k * k * k * k * give * give + 4.0 * k * k * size) - k * k * give);
  return difference > 0.0 ? flow : -flow;
}

std::vector<int> banks_of(const std::string& layout, int cylinders, bool split) {
  std::vector<int> bank(static_cast<std::size_t>(cylinders), 0);
  const auto each = [&](auto&& second) {
    for (int c = 1; c <= cylinders; ++c) bank[static_cast<std::size_t>(c - 1)] = second(c) ? 1 : 0;
  };
  if (layout == "v6" || layout == "v6-oddfire" || layout == "v8" || layout == "flat4" ||
      layout == "vtwin45") {
    each([](int c) { return c % 2 == 0; });
  } else if (layout == "v8-bank" || layout == "v8-flat" || layout == "v10" || layout == "v12" ||
             layout == "flat6" || (layout == "inline6" && split)) {
    each([&](int c) { return 2 * c > cylinders; });
  }
  return bank;
}

struct Temperatures {
  double hot, warm, cool;  ///< kelvin: at the engine, under the floor, at the tail
};

/// Catalyst, middle pipe, mufflers and tail pipe, from `at` on. Returns the mouth's node.
int add_rear(PipeNetwork& pipes, int at, const EngineUnderTest& engine, double area_m2,
             const Temperatures& gas, Random& draws) {
  // A draw to a statement: C++ leaves the order of arguments open.
  if (engine.catalyst) {
    const int in = pipes.add_node();
    const double before_m = draws.uniform(0.1, 0.6);
    pipes.add_pipe(at, in, before_m, area_m2, gas.hot, 0.97, 4000.0);
    const int out = pipes.add_node();
    const double length_m = draws.uniform(0.1, 0.25);
    const double wider = draws.uniform(3.0, 6.0);
    const double kept = draws.uniform(0.6, 0.9);
    pipes.add_pipe(in, out, length_m, area_m2 * wider, gas.hot, kept, 1500.0);
    at = out;
  }
  for (int m = 0; m <= engine.muffler; ++m) {
    const int in = pipes.add_node();
    const double before_m = draws.uniform(0.3, m == 0 ? 1.8 : 1.2);
    pipes.add_pipe(at, in, before_m, area_m2, m == 0 ? gas.warm : gas.cool, 0.94, 2500.0);
    at = in;
    if (m == engine.muffler) break;
    const int out = pipes.add_node();
    const double length_m = draws.uniform(0.25, 0.6);
    const double wider = draws.uniform(5.0, 22.0);
    const double kept = draws.uniform(0.75, 0.95);
    const double loss_hz = draws.uniform(500.0, 2000.0);
    pipes.add_pipe(at, out, length_m, area_m2 * wider, gas.warm, kept, loss_hz);
    const bool straight = draws.chance(0.5);  // a perforated pipe leads through
    const double share = draws.uniform(0.2, 1.0);
    const double straight_kept = draws.uniform(0.5, 0.9);
    if (straight)
      pipes.add_pipe(at, out, length_m, area_m2 * share, gas.warm, straight_kept, 1500.0);
    at = out;
  }
  const int mouth = pipes.add_node();
  const double tail_m = draws.uniform(0.2, 1.0);
  const double narrower = draws.uniform(0.7, 1.0);
  pipes.add_pipe(at, mouth, tail_m, area_m2 * narrower, gas.cool, 0.95, 3000.0);
  return mouth;
}

}  // namespace

Signal mouth_flow(const Scene& scene, const Engine& layout, const CrankRun& run, double rate_hz) {
  const EngineUnderTest& engine = scene.engine;
  Random fixed{engine.seed, 40};
  Random random{scene.seed, 41};
  const bool diesel = engine.layout == "diesel4";
  const bool four = layout.strokes() == 4;
  const auto count = static_cast<std::size_t>(layout.cylinders());
  Build b{};
  b.swept_m3 =
      1e-6 * (layout.cylinders() <= 2 ? fixed.uniform(120.0, 600.0) : fixed.uniform(280.0, 650.0));
  if (!four) b.swept_m3 = 1e-6 * fixed.uniform(40.0, 250.0);
  b.compression = diesel ? fixed.uniform(16.0, 19.0) : fixed.uniform(8.5, 11.0);
  const double bore = std::cbrt(b.swept_m3 * 4.0 / std::numbers::pi);
  b.valve_m2 = circle(bore) * fixed.uniform(0.09, 0.17);
  b.open_deg = four ? 132.0 : 95.0;
  b.lasts_deg = four ? fixed.uniform(225.0, 262.0) : 170.0;
  b.intake_pa = (diesel || !four) ? fixed.uniform(0.92e5, 1.0e5) : fixed.uniform(0.26e5, 0.45e5);
  b.charge_kelvin = fixed.uniform(340.0, 420.0);
  b.fired_ratio = diesel ? fixed.uniform(1.6, 2.2)
                  : four ? fixed.uniform(3.2, 4.8)
                         : fixed.uniform(1.8, 2.6);
  b.overlap_m2 = (four && !diesel) ? b.valve_m2 * fixed.log_uniform(0.01, 0.25) : 0.0;
  const double hot = fixed.uniform(650.0, 900.0);
  const double warm = fixed.uniform(480.0, 650.0);
  const double cool = fixed.uniform(360.0, 470.0);
  const double runner_m2 = b.valve_m2 * fixed.uniform(1.0, 2.2);
  const double pulse_jitter = fixed.uniform(0.01, 0.04);

  PipeNetwork pipes{rate_hz};
  const bool split = fixed.chance(0.4);
  const std::vector<int> bank = banks_of(engine.layout, layout.cylinders(), split);
  std::vector<Cylinder> cylinders(count);
  const double spread =
      engine.headers == "tubular" ? fixed.uniform(0.15, 0.6) : fixed.uniform(0.02, 0.2);
  const double usual = engine.headers == "tubular" ? fixed.uniform(0.2, 0.6)
                       : engine.headers == "log"   ? fixed.uniform(0.05, 0.14)
                                                   : fixed.uniform(0.6, 1.0);
  const double bore_step = bore * fixed.uniform(1.1, 1.4);
  const bool end_outlet = fixed.chance(0.4);
  const double unlike = fixed.log_uniform(0.02, 0.09);
  std::vector<double> extra(count);
  for (std::size_t c = 0; c < count; ++c) {
    extra[c] = fixed.uniform(-1.0, 1.0);
    cylinders[c].gain = std::exp(unlike * fixed.normal());
  }
  const int longer = fixed.integer(0, layout.cylinders() - 1);
  const int banks = *std::max_element(bank.begin(), bank.end()) + 1;
  const bool two_pipes = engine.outlets == 2 && banks == 2;
  std::vector<int> collectors;  // one a bank, then one a mouth
  double collector_m2 = 0.0;
  for (int k = 0; k < banks; ++k) {
    std::vector<int> members;
    for (int c = 0; c < layout.cylinders(); ++c) {
      if (bank[static_cast<std::size_t>(c)] == k) members.push_back(c);
    }
    const double down_m2 =
        runner_m2 * std::clamp(0.75 * static_cast<double>(members.size()), 1.0, 2.5);
    std::vector<int> at_log;
    if (engine.headers == "log" && members.size() > 1) {
      for (std::size_t i = 0; i < members.size(); ++i) at_log.push_back(pipes.add_node());
      for (std::size_t i = 0; i + 1 < members.size(); ++i)
        pipes.add_pipe(at_log[i], at_log[i + 1], bore_step, 1.3 * runner_m2, hot, 0.985, 6000.0);
    } else {
      at_log.assign(members.size(), pipes.add_node());
    }
    for (std::size_t i = 0; i < members.size(); ++i) {
      const auto c = static_cast<std::size_t>(members[i]);
      double length = usual * (1.0 + spread * extra[c]);
      if (members[i] == longer) length += engine.header_step_m;
      cylinders[c].port = pipes.add_node();
      pipes.add_pipe(cylinders[c].port, at_log[i], std::max(0.04, length), runner_m2, hot, 0.98,
                     5000.0);
    }
    const int joint = at_log[end_outlet ? 0 : at_log.size() / 2];
    const int below = pipes.add_node();
    const double down_m = fixed.uniform(0.3, 0.9);
    pipes.add_pipe(joint, below, down_m, down_m2, hot, 0.96, 4000.0);
    collectors.push_back(below);
    collector_m2 = std::max(collector_m2, down_m2);
  }
  const double main_m2 = collector_m2 * (banks > 1 && !two_pipes ? 1.4 : 1.0);
  if (banks > 1 && !two_pipes) {
    const int at = pipes.add_node();
    for (const int below : collectors) {
      const double length_m = fixed.uniform(0.1, 0.8);
      pipes.add_pipe(below, at, length_m, collector_m2, hot, 0.97, 4000.0);
    }
    collectors = {at};
  }
  double crossed = 0.0;  // what is heard of the other pipe through the air
  if (two_pipes) {
    const bool joined = fixed.chance(0.5);
    const double share = fixed.uniform(0.3, 1.0);
    const double length_m = fixed.uniform(0.25, 0.7);
    if (joined)
      pipes.add_pipe(collectors[0], collectors[1], length_m, share * main_m2, hot, 0.95, 3000.0);
    crossed = fixed.uniform(0.05, 0.25);
  }
  std::vector<int> mouths;
  for (const int collector : collectors) {
    Random draws = fixed;  // both pipes of an engine are alike
    mouths.push_back(add_rear(pipes, collector, engine, main_m2, {hot, warm, cool}, draws));
  }
  const std::size_t heard =
      two_pipes ? static_cast<std::size_t>(
                      bank[static_cast<std::size_t>(layout.positions()[0].cylinder - 1)])
                : 0;
  const double mirrored = fixed.uniform(0.85, 0.97);
  const double mouth_radius = std::sqrt(main_m2 / std::numbers::pi);
  std::vector<OnePole> open_ends(
      mouths.size(),
      OnePole{0.5 * sound_speed(cool) / (2.0 * std::numbers::pi * mouth_radius), rate_hz});

  const double idle = idle_speed(engine);
  const double density_hot = outside_pa / (gas_constant * hot);
  const double mean_flow =
      idle / (four ? 120.0 : 60.0) * b.swept_m3 * b.intake_pa / outside_pa * warm / b.charge_kelvin;
  const double scale = 0.09 / mean_flow;

  const auto frames = static_cast<std::size_t>(std::lround(scene.duration_s * rate_hz));
  const double dt = 1.0 / rate_hz;
  Signal out(frames, 0.0);
  std::size_t next = 0;
  for (std::size_t i = 0; i < frames; ++i) {
    const double t = static_cast<double>(i) * dt;
    while (next < run.events.size() && run.events[next].time_s <= t) {
      const Event& e = run.events[next++];
      Cylinder& c = cylinders[static_cast<std::size_t>(e.cylinder - 1)];
      if (e.rpm < 20.0) continue;
      c.open = true;
      c.turned_deg = 0.0;
      const double filling = std::clamp(e.charge, 0.3, 6.0);
      c.intake_pa =
          std::clamp(b.intake_pa * (diesel ? 1.0 : std::pow(filling, 0.8)), 0.2e5, 1.05e5);
      if (!e.running) c.intake_pa = 0.9e5;
      const double heat = diesel ? std::min(e.heat * filling, 3.0) : std::min(e.heat, 2.0);
      const double ratio = 1.0 + (b.fired_ratio - 1.0) * heat;
      c.pressure_pa = c.intake_pa * ratio * c.gain * std::exp(pulse_jitter * random.normal());
      c.mass_kg = c.pressure_pa * volume(b, b.open_deg) / (gas_constant * b.charge_kelvin * ratio);
    }
    const double rpm = run.rpm_at(t);
    for (Cylinder& c : cylinders) {
      const double arriving = pipes.arriving(c.port);
      if (!c.open) {
        pipes.send(c.port, arriving);
        continue;
      }
      const double before = volume(b, b.open_deg + c.turned_deg);
      const double turned = rpm * 6.0 * dt;
      c.turned_deg += turned;
      const double now = volume(b, b.open_deg + c.turned_deg);
      c.pressure_pa *= 1.0 - gamma * (now - before) / before;
      const double lift = std::sin(std::numbers::pi * std::min(1.0, c.turned_deg / b.lasts_deg));
      const double admittance = pipes.admittance(c.port);
      const double flow =
          through_valve(c, b.valve_m2 * lift * lift, arriving, admittance, now, dt, density_hot);
      double inwards = 0.0;
      const double left = b.lasts_deg - c.turned_deg;
      if (left < 30.0 && b.overlap_m2 > 0.0 && c.pressure_pa > c.intake_pa)
        inwards = discharge * b.overlap_m2 * (1.0 - left / 30.0) *
                  std::sqrt(2.0 * c.mass_kg / now *
                            std::min(c.pressure_pa - c.intake_pa, 0.5 * c.pressure_pa));
      const double kelvin = c.pressure_pa * now / (gas_constant * c.mass_kg);
      c.pressure_pa += dt * gamma * gas_constant / now *
                       (-(flow > 0.0 ? kelvin : hot) * flow - kelvin * inwards);
      c.mass_kg = std::max(1e-8, c.mass_kg - dt * (flow + inwards));
      c.pressure_pa = std::max(c.pressure_pa, 2000.0);
      pipes.send(c.port, arriving + flow / density_hot / admittance);
      if (c.turned_deg >= b.lasts_deg) c.open = false;
    }
    for (std::size_t m = 0; m < mouths.size(); ++m) {
      const double arriving = pipes.arriving(mouths[m]);
      const double back = -mirrored * open_ends[m](arriving);
      pipes.send(mouths[m], back);
      out[i] +=
          (m == heard ? 1.0 : crossed) * scale * (arriving - back) * pipes.admittance(mouths[m]);
    }
    pipes.step();
  }
  return out;
}

}  // namespace pipebeat::synth
