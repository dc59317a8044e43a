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

// Every draw below has a statement of its own: C++ leaves the order of arguments open.
namespace {

/// Kelvin: at the engine, under the floor, at the tail. They stay; only the pipes' sound speeds
/// depend on them.
struct Temperatures {
  double hot, warm, cool;
};

/// What is the same for all cylinders of an engine.
struct Build {
  bool diesel, four_stroke;
  double swept_m3, compression, bore_m;
  double valve_m2;             ///< at full lift
  double open_deg, lasts_deg;  ///< of the exhaust valve: after top dead centre, and for how long
  double intake_pa;            ///< at idle
  double charge_kelvin;        ///< when the valve opens and nothing has burnt
  double fired_ratio;          ///< pressure then with combustion over that without
  double overlap_m2;           ///< of the inlet while both valves are open
  double runner_m2;
  double pulse_jitter;  ///< from cycle to cycle, natural logarithm
  Temperatures gas;

  /// Density of the gas that a closed pipe's end holds.
  [[nodiscard]] double pipe_density() const { return outside_pa / (gas_constant * gas.hot); }
};

Build draw_build(const EngineUnderTest& engine, const Engine& layout, Random& draws) {
  Build b{};
  b.diesel = engine.layout == "diesel4";
  b.four_stroke = layout.strokes() == 4;
  b.swept_m3 =
      1e-6 * (layout.cylinders() <= 2 ? draws.uniform(120.0, 600.0) : draws.uniform(280.0, 650.0));
  if (!b.four_stroke) b.swept_m3 = 1e-6 * draws.uniform(40.0, 250.0);
  b.compression = b.diesel ? draws.uniform(16.0, 19.0) : draws.uniform(8.5, 11.0);
  b.bore_m = std::cbrt(b.swept_m3 * 4.0 / std::numbers::pi);
  b.valve_m2 = circle(b.bore_m) * draws.uniform(0.09, 0.17);
  b.open_deg = b.four_stroke ? 132.0 : 95.0;
  b.lasts_deg = b.four_stroke ? draws.uniform(225.0, 262.0) : 170.0;
  b.intake_pa =
      (b.diesel || !b.four_stroke) ? draws.uniform(0.92e5, 1.0e5) : draws.uniform(0.26e5, 0.45e5);
  b.charge_kelvin = draws.uniform(340.0, 420.0);
  b.fired_ratio = b.diesel        ? draws.uniform(1.6, 2.2)
                  : b.four_stroke ? draws.uniform(3.2, 4.8)
                                  : draws.uniform(1.8, 2.6);
  b.overlap_m2 = (b.four_stroke && !b.diesel) ? b.valve_m2 * draws.log_uniform(0.01, 0.25) : 0.0;
  b.gas.hot = draws.uniform(650.0, 900.0);
  b.gas.warm = draws.uniform(480.0, 650.0);
  b.gas.cool = draws.uniform(360.0, 470.0);
  b.runner_m2 = b.valve_m2 * draws.uniform(1.0, 2.2);
  b.pulse_jitter = draws.uniform(0.01, 0.04);
  return b;
}

// ---- the cylinder -------------------------------------------------------------------------------

/// The gas in one cylinder while its exhaust valve is open.
struct Charge {
  bool open = false;
  double turned_deg = 0.0;  ///< since the valve opened
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

/// The valve opens on what the stroke left. Gains: factors on its pressure.
void open_valve(Charge& c, const Build& b, const Event& e, double cylinder_gain,
                double cycle_gain) {
  c.open = true;
  c.turned_deg = 0.0;
  const double filling = std::clamp(e.charge, 0.3, 6.0);
  c.intake_pa = std::clamp(b.intake_pa * (b.diesel ? 1.0 : std::pow(filling, 0.8)), 0.2e5, 1.05e5);
  if (!e.running) c.intake_pa = 0.9e5;
  const double heat = b.diesel ? std::min(e.heat * filling, 3.0) : std::min(e.heat, 2.0);
  const double ratio = 1.0 + (b.fired_ratio - 1.0) * heat;
  c.pressure_pa = c.intake_pa * ratio * cylinder_gain * cycle_gain;
  c.mass_kg = c.pressure_pa * volume(b, b.open_deg) / (gas_constant * b.charge_kelvin * ratio);
}

/// Mass flow out of the cylinder through its valve in this step, implicit in the pressures on both
/// sides: at small differences an orifice is far stiffer than a step is short.
double through_valve(const Charge& c, double area, double arriving, double admittance,
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

/// Turns the crank by `turn_deg` in `dt` seconds with the valve open. `arriving`, `admittance`: of
/// the pipe at the port. Returns the mass flow into that pipe in kg/s.
double breathe_out(Charge& c, const Build& b, double turn_deg, double dt, double arriving,
                   double admittance) {
  const double before = volume(b, b.open_deg + c.turned_deg);
  c.turned_deg += turn_deg;
  const double now = volume(b, b.open_deg + c.turned_deg);
  c.pressure_pa *= 1.0 - gamma * (now - before) / before;
  const double lift = std::sin(std::numbers::pi * std::min(1.0, c.turned_deg / b.lasts_deg));
  const double flow =
      through_valve(c, b.valve_m2 * lift * lift, arriving, admittance, now, dt, b.pipe_density());
  // Towards the end the inlet opens as well, and what is left flows back where the throttle sucks.
  constexpr double overlap_deg = 30.0;
  double inwards = 0.0;
  const double left = b.lasts_deg - c.turned_deg;
  if (left < overlap_deg && b.overlap_m2 > 0.0 && c.pressure_pa > c.intake_pa)
    inwards = discharge * b.overlap_m2 * (1.0 - left / overlap_deg) *
              std::sqrt(2.0 * c.mass_kg / now *
                        std::min(c.pressure_pa - c.intake_pa, 0.5 * c.pressure_pa));
  const double kelvin = c.pressure_pa * now / (gas_constant * c.mass_kg);
  c.pressure_pa += dt * gamma * gas_constant / now *
                   (-(flow > 0.0 ? kelvin : b.gas.hot) * flow - kelvin * inwards);
  c.mass_kg = std::max(1e-8, c.mass_kg - dt * (flow + inwards));
  c.pressure_pa = std::max(c.pressure_pa, 2000.0);
  if (c.turned_deg >= b.lasts_deg) c.open = false;
  return flow;
}

// ---- the pipes ----------------------------------------------------------------------------------

/// Bank of each cylinder, 0 or 1. `split`: an in-line six has two manifolds.
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

/// How the cylinders of an engine differ, and their manifolds.
struct Headers {
  std::vector<int> bank;         ///< of each cylinder
  std::vector<double> gain;      ///< of each cylinder's pressure
  std::vector<double> runner_m;  ///< length of each cylinder's own pipe
  bool log;                      ///< runners end one after the other in a common pipe
  double between_m;              ///< two ends there
  bool end_outlet;               ///< which it leaves at its end, not in the middle
};

Headers draw_headers(const EngineUnderTest& engine, const Engine& layout, const Build& build,
                     Random& draws) {
  const auto count = static_cast<std::size_t>(layout.cylinders());
  Headers h{};
  const bool split = draws.chance(0.4);
  h.bank = banks_of(engine.layout, layout.cylinders(), split);
  h.log = engine.headers == "log";
  const bool tubular = engine.headers == "tubular";
  const double spread = tubular ? draws.uniform(0.15, 0.6) : draws.uniform(0.02, 0.2);
  const double usual_m = tubular ? draws.uniform(0.2, 0.6)
                         : h.log ? draws.uniform(0.05, 0.14)
                                 : draws.uniform(0.6, 1.0);
  h.between_m = build.bore_m * draws.uniform(1.1, 1.4);
  h.end_outlet = draws.chance(0.4);
  const double unlike = draws.log_uniform(0.02, 0.09);
  for (std::size_t c = 0; c < count; ++c) {
    h.runner_m.push_back(usual_m * (1.0 + spread * draws.uniform(-1.0, 1.0)));
    h.gain.push_back(std::exp(unlike * draws.normal()));
  }
  const int longer = draws.integer(0, layout.cylinders() - 1);
  h.runner_m[static_cast<std::size_t>(longer)] += engine.header_step_m;
  return h;
}

/// The pipes of an engine, and where they begin and end.
struct Exhaust {
  PipeNetwork pipes;
  std::vector<int> ports;   ///< node of each cylinder's valve
  std::vector<int> mouths;  ///< nodes
  std::size_t heard = 0;    ///< index of the mouth that the microphone is at
  double crossed = 0.0;     ///< what is heard of the other one through the air
  double mirrored = 0.0;    ///< share of a wave's pressure that an open end sends back
  double mouth_m2 = 0.0;
};

/// Runners, manifold and front pipe of the cylinders of one bank. Returns the node at its lower
/// end.
int add_bank(Exhaust& exhaust, const std::vector<std::size_t>& members, const Build& build,
             const Headers& headers, double front_m2, Random& draws) {
  PipeNetwork& pipes = exhaust.pipes;
  std::vector<int> ends;  // of the runners
  if (headers.log && members.size() > 1) {
    for (std::size_t i = 0; i < members.size(); ++i) ends.push_back(pipes.add_node());
    for (std::size_t i = 0; i + 1 < members.size(); ++i)
      pipes.add_pipe(ends[i], ends[i + 1], headers.between_m, 1.3 * build.runner_m2, build.gas.hot,
                     0.985, 6000.0);
  } else {
    ends.assign(members.size(), pipes.add_node());
  }
  for (std::size_t i = 0; i < members.size(); ++i) {
    const int port = pipes.add_node();
    exhaust.ports[members[i]] = port;
    pipes.add_pipe(port, ends[i], std::max(0.04, headers.runner_m[members[i]]), build.runner_m2,
                   build.gas.hot, 0.98, 5000.0);
  }
  const int joint = ends[headers.end_outlet ? 0 : ends.size() / 2];
  const int below = pipes.add_node();
  const double front_m = draws.uniform(0.3, 0.9);
  pipes.add_pipe(joint, below, front_m, front_m2, build.gas.hot, 0.96, 4000.0);
  return below;
}

/// Catalyst, middle pipe, mufflers and tail pipe, from `at` on. Returns the mouth's node.
int add_rear(PipeNetwork& pipes, int at, const EngineUnderTest& engine, double area_m2,
             const Temperatures& gas, Random& draws) {
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

Exhaust draw_exhaust(const EngineUnderTest& engine, const Engine& layout, const Build& build,
                     const Headers& headers, double rate_hz, Random& draws) {
  Exhaust exhaust{PipeNetwork{rate_hz}, std::vector<int>(headers.bank.size()), {}};
  PipeNetwork& pipes = exhaust.pipes;
  const double hot = build.gas.hot;
  const int banks = *std::max_element(headers.bank.begin(), headers.bank.end()) + 1;
  std::vector<int> collectors;  // one a bank, then one a mouth
  double collector_m2 = 0.0;
  for (int k = 0; k < banks; ++k) {
    std::vector<std::size_t> members;
    for (std::size_t c = 0; c < headers.bank.size(); ++c) {
      if (headers.bank[c] == k) members.push_back(c);
    }
    const double front_m2 =
        build.runner_m2 * std::clamp(0.75 * static_cast<double>(members.size()), 1.0, 2.5);
    collectors.push_back(add_bank(exhaust, members, build, headers, front_m2, draws));
    collector_m2 = std::max(collector_m2, front_m2);
  }
  const bool two_pipes = engine.outlets == 2 && banks == 2;
  const bool joining = banks > 1 && !two_pipes;
  exhaust.mouth_m2 = collector_m2 * (joining ? 1.4 : 1.0);
  if (joining) {
    const int at = pipes.add_node();
    for (const int below : collectors) {
      const double length_m = draws.uniform(0.1, 0.8);
      pipes.add_pipe(below, at, length_m, collector_m2, hot, 0.97, 4000.0);
    }
    collectors = {at};
  }
  if (two_pipes) {
    const bool joined = draws.chance(0.5);
    const double share = draws.uniform(0.3, 1.0);
    const double length_m = draws.uniform(0.25, 0.7);
    if (joined)
      pipes.add_pipe(collectors[0], collectors[1], length_m, share * exhaust.mouth_m2, hot, 0.95,
                     3000.0);
    exhaust.crossed = draws.uniform(0.05, 0.25);
    const int first = layout.positions()[0].cylinder;
    exhaust.heard = static_cast<std::size_t>(headers.bank[static_cast<std::size_t>(first - 1)]);
  }
  for (const int collector : collectors) {
    Random alike = draws;  // both pipes of an engine are
    exhaust.mouths.push_back(
        add_rear(pipes, collector, engine, exhaust.mouth_m2, build.gas, alike));
  }
  exhaust.mirrored = draws.uniform(0.85, 0.97);
  return exhaust;
}

}  // namespace

Signal mouth_flow(const Scene& scene, const Engine& layout, const CrankRun& run, double rate_hz) {
  Random fixed{scene.engine.seed, 40};
  Random random{scene.seed, 41};
  const Build build = draw_build(scene.engine, layout, fixed);
  const Headers headers = draw_headers(scene.engine, layout, build, fixed);
  Exhaust exhaust = draw_exhaust(scene.engine, layout, build, headers, rate_hz, fixed);
  PipeNetwork& pipes = exhaust.pipes;
  std::vector<Charge> charges(exhaust.ports.size());
  const double mouth_radius = std::sqrt(exhaust.mouth_m2 / std::numbers::pi);
  std::vector<OnePole> open_ends(
      exhaust.mouths.size(),
      OnePole{0.5 * sound_speed(build.gas.cool) / (2.0 * std::numbers::pi * mouth_radius),
              rate_hz});

  const double mean_flow = idle_speed(scene.engine) / (build.four_stroke ? 120.0 : 60.0) *
                           build.swept_m3 * build.intake_pa / outside_pa * build.gas.warm /
                           build.charge_kelvin;
  const double scale = 0.09 / mean_flow;

  const auto frames = static_cast<std::size_t>(std::lround(scene.duration_s * rate_hz));
  const double dt = 1.0 / rate_hz;
  Signal out(frames, 0.0);
  std::size_t next = 0;
  for (std::size_t i = 0; i < frames; ++i) {
    const double t = static_cast<double>(i) * dt;
    while (next < run.events.size() && run.events[next].time_s <= t) {
      const Event& e = run.events[next++];
      if (e.rpm < 20.0) continue;
      const auto c = static_cast<std::size_t>(e.cylinder - 1);
      open_valve(charges[c], build, e, headers.gain[c],
                 std::exp(build.pulse_jitter * random.normal()));
    }
    const double turn_deg = run.rpm_at(t) * 6.0 * dt;
    for (std::size_t c = 0; c < charges.size(); ++c) {
      const int port = exhaust.ports[c];
      const double arriving = pipes.arriving(port);
      if (!charges[c].open) {
        pipes.send(port, arriving);
        continue;
      }
      const double admittance = pipes.admittance(port);
      const double flow = breathe_out(charges[c], build, turn_deg, dt, arriving, admittance);
      pipes.send(port, arriving + flow / build.pipe_density() / admittance);
    }
    for (std::size_t m = 0; m < exhaust.mouths.size(); ++m) {
      const int mouth = exhaust.mouths[m];
      const double arriving = pipes.arriving(mouth);
      const double back = -exhaust.mirrored * open_ends[m](arriving);
      pipes.send(mouth, back);
      out[i] += (m == exhaust.heard ? 1.0 : exhaust.crossed) * scale * (arriving - back) *
                pipes.admittance(mouth);
    }
    pipes.step();
  }
  return out;
}

}  // namespace pipebeat::synth
