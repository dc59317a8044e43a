#include "crank.hpp"

#include <algorithm>
#include <cmath>
#include <deque>
#include <numbers>
#include <optional>
#include <stdexcept>

#include "random.hpp"

namespace pipebeat::synth {

namespace {

constexpr double warm_up_s = 5.0;  // simulated and thrown away, so that scenes start settled
constexpr double stall_rpm = 60.0;
constexpr double starter_rpm = 240.0;

struct Geometry {
  double cycle_deg;
  double slot_deg;        // mean distance of firings, all cylinders
  double power_deg;       // length of the power stroke that does work, from top dead centre
  double valve_open_deg;  // exhaust opening after top dead centre; typical values, common practice
};

Geometry geometry_of(const Engine& all) {
  const double cycle = all.cycle().value();
  const bool four = all.strokes() == 4;
  return {cycle, cycle / all.cylinders(), four ? 125.0 : 85.0, four ? 132.0 : 95.0};
}

/// Who is in trouble when the scene does not say.
std::vector<int> drawn_cylinders(const Trouble& trouble, const Engine& heard, Random& random) {
  const auto positions = heard.positions();
  const int count = static_cast<int>(positions.size());
  const int first = random.integer(0, count - 1);
  const auto at = [&](int i) { return positions[static_cast<std::size_t>(i % count)].cylinder; };
  const std::string& c = trouble.condition;
  if (c == "dead2adj") return {at(first), at(first + 1)};
  if (c == "dead2opp") return {at(first), at(first + count / 2)};
  if (c == "half_off") {
    std::vector<int> off;
    for (int i = first % 2; i < count; i += 2) off.push_back(at(i));
    return off;
  }
  if (c == "dead" || c == "lumpy_dead" || c == "inter" || c == "weak" || c == "lowcomp")
    return {at(first)};
  return {};
}

/// Decides for every firing whether and how strongly it burns.
class Combustion {
 public:
  Combustion(const Scene& scene, const Engine& all, const Engine& heard)
      : trouble_{scene.trouble},
        unplugged_{scene.unplugged},
        random_{scene.seed, 1},
        base_(static_cast<std::size_t>(all.cylinders()), 1.0),
        last_(base_.size(), 0.0),
        missing_now_(base_.size(), 0) {
    Random engine{scene.engine.seed, 1};
    for (double& b : base_) b += 0.03 * engine.normal();
    const double smooth = engine.log_uniform(0.008, 0.05);
    const double rough = engine.uniform(0.08, 0.26);
    bad_ = trouble_.cylinders;
    if (bad_.empty()) bad_ = drawn_cylinders(trouble_, heard, random_);
    const bool lumpy = trouble_.condition == "lumpy" || trouble_.condition == "lumpy_dead";
    cov_ = trouble_.scatter_cov > 0.0 ? trouble_.scatter_cov : lumpy ? rough : smooth;
    p_ = trouble_.p;
    if (p_ <= 0.0) {
      if (trouble_.condition == "inter") p_ = random_.uniform(0.05, 0.8);
      if (trouble_.condition == "scatter") p_ = random_.log_uniform(0.01, 0.2);
      if (trouble_.condition == "weak" || trouble_.condition == "lowcomp")
        p_ = random_.uniform(0.4, 0.7);
    }
  }

  struct Outcome {
    bool fired;
    double heat;
    double filling;
    bool afterfire;
  };

  Outcome next(int cylinder, double time_s, double rpm, bool ignition) {
    const auto c = static_cast<std::size_t>(cylinder - 1);
    const bool bad = std::find(bad_.begin(), bad_.end(), cylinder) != bad_.end();
    const std::string& condition = trouble_.condition;
    const bool fault_on = trouble_.below_rpm <= 0.0 || rpm < trouble_.below_rpm;
    common_ += 0.12 * (random_.normal() - common_);
    double x = random_.normal();
    if (x < 0.0) x *= 1.3;  // bad burns are worse than good ones are good
    const double deviation = cov_ * (x - 0.25 * last_[c] + 1.2 * common_);
    last_[c] = x;
    const double draw = random_.unit();
    const double stay = random_.unit();
    const double bang = random_.unit();

    bool fired = ignition;
    int off = 0;
    for (const Unplugging& u : unplugged_) {
      if (u.at_s <= time_s) off = u.cylinder;
    }
    if (cylinder == off) fired = false;
    if (fault_on) {
      if (condition == "scatter") fired = fired && draw >= p_;
      if (bad &&
          (condition.starts_with("dead") || condition == "half_off" || condition == "lumpy_dead")) {
        fired = false;
      }
      if (bad && condition == "inter") {
        if (stay >= trouble_.bursty) missing_now_[c] = draw < p_ ? 1 : 0;
        fired = fired && missing_now_[c] == 0;
      }
    }
    double heat = std::max(0.2, base_[c] * (1.0 + deviation));
    double filling = 1.0;
    if (bad && fault_on && (condition == "weak" || condition == "lowcomp")) {
      heat *= p_;
      if (condition == "lowcomp") filling = 0.5 + 0.5 * p_;
    }
    return {fired, fired ? heat : 0.0, filling, ignition && !fired && bang < trouble_.afterfire};
  }

  [[nodiscard]] const std::vector<int>& bad() const { return bad_; }
  [[nodiscard]] double p() const { return p_; }

 private:
  const Trouble& trouble_;
  const std::vector<Unplugging>& unplugged_;
  Random random_;
  std::vector<double> base_, last_;
  std::vector<char> missing_now_;
  std::vector<int> bad_;
  double cov_ = 0.0;
  double p_ = 0.0;
  double common_ = 0.0;
};

/// What the driver (or the idle control) wants through time.
class Driver {
 public:
  /// `agility`: rpm per second that idle drag alone takes away.
  Driver(const Scene& scene, double idle, double agility)
      : profile_{scene.profile}, random_{scene.seed, 2}, idle_{idle} {
    const double length = scene.duration_s;
    high_ = random_.uniform(1.65, 2.4) * idle;
    if (profile_ == "fast")
      idle_ = random_.uniform(std::max(1300.0, 1.3 * idle), std::max(1800.0, 1.6 * idle));
    if (profile_ == "cruise") idle_ = random_.uniform(2500.0, 2900.0);
    if (scene.hold_rpm > 0.0) idle_ = scene.hold_rpm;
    swing_ = random_.uniform(0.10, 0.20);
    period_ = random_.log_uniform(0.4, 4.0);
    // Hunting falls no faster than the drag can pull; 1.5: how much steeper than a sine it gets.
    const double swing_per_s = 0.8 * agility / (idle_ * 2.0 * std::numbers::pi * 1.5);
    period_ = std::max(period_, 0.08 / swing_per_s);
    swing_ = std::min(swing_, swing_per_s * period_);
    phase_ = random_.uniform(0.0, 2.0 * std::numbers::pi);
    start_ = profile_ == "prerun" ? random_.uniform(0.15, 0.3) * length
                                  : random_.uniform(0.25, 0.45) * length;
    stop_ = random_.uniform(0.55, 0.8) * length;
    pause_ = random_.uniform(0.5, 2.0);
    crank_ = random_.uniform(0.4, 1.1);
    length_ = length;
    load_ = random_.uniform(0.3, 0.7);
    load_period_ = random_.uniform(1.2, 3.5);
  }

  [[nodiscard]] double target(double t) const {
    if (profile_ == "hunting") {
      const double angle = 2.0 * std::numbers::pi * t / period_ + phase_;
      return idle_ * (1.0 + swing_ * std::sin(angle + 0.5 * std::sin(angle)));
    }
    const double part = std::clamp(t / length_, 0.0, 1.0);
    if (profile_ == "sweep") return idle_ + (high_ - idle_) * part;
    if (profile_ == "updown")
      return idle_ + 0.6 * (high_ - idle_) * (1.0 - std::abs(2.0 * part - 1.0));
    return idle_;
  }
  /// Extra load relative to idling.
  [[nodiscard]] double load(double t) const {
    if (profile_ != "load" || t < 0.0) return 0.0;
    return std::fmod(t + phase_, 2.0 * load_period_) < load_period_ ? load_ : 0.0;
  }
  [[nodiscard]] bool ignition(double t) const {
    if (profile_ == "stop") return t < stop_;
    if (profile_ == "restart") return t < start_ || t > start_ + pause_ + rundown_s + crank_;
    if (profile_ == "prerun") return t > start_ + crank_;
    return true;
  }
  [[nodiscard]] bool starter(double t, double rpm, bool caught) const {
    if (caught || rpm > 1.3 * starter_rpm) return false;
    if (profile_ == "restart") return t > start_ + pause_ + rundown_s;
    if (profile_ == "prerun") return t > start_;
    return false;
  }
  [[nodiscard]] bool starts_standing() const { return profile_ == "prerun"; }
  [[nodiscard]] bool wants_blip(double t) const { return profile_ == "blip" && t > start_; }
  [[nodiscard]] double blip_peak() const { return std::clamp(high_, 1400.0, 1900.0); }

 private:
  static constexpr double rundown_s = 1.5;
  std::string profile_;
  Random random_;
  double idle_, high_, swing_, period_, phase_, start_, stop_, pause_, crank_, length_, load_,
      load_period_;
};

/// How an engine answers to its load and to its idle control.
struct Habits {
  double sag;  ///< share of the speed that a lost stroke takes at idle
  double gain, integral_gain;
  double lag_s;   ///< of the intake
  double wander;  ///< of the load, relative to idling
};

Habits draw_habits(const EngineUnderTest& engine, int cylinders) {
  Random random{engine.seed, 4};
  Habits h{};
  const double drawn_sag = random.log_uniform(0.035, 0.11) / cylinders;
  h.sag = engine.sag > 0.0 ? engine.sag : drawn_sag;
  h.gain = random.uniform(1.5, 4.0);
  h.integral_gain = random.uniform(0.6, 1.6);
  h.lag_s = random.uniform(0.08, 0.2);
  h.wander = random.log_uniform(0.03, 0.16);
  return h;
}

/// What the cylinders are given, 1 at idle: the idle control, the flare of a start, the driver's
/// foot.
class Throttle {
 public:
  /// `flare_peak`: rpm up to which the engine flares after a start. `driver` must outlive it.
  Throttle(const Driver& driver, const Habits& habits, double idle, double flare_peak, bool hunting)
      : driver_{driver}, habits_{habits}, idle_{idle}, flare_peak_{flare_peak}, hunting_{hunting} {}

  /// One step on. `work`: of a stroke at idle; `slot_deg`: from one stroke to the next.
  double step(double t, double dt, double rpm, bool running, bool caught, double work,
              double slot_deg) {
    const double target = driver_.target(t);
    // Proportional and integral on the speed error, through the intake's lag.
    const double error = (target - rpm) / idle_;
    if (running) integral_ = std::clamp(integral_ + habits_.integral_gain * error * dt, -0.6, 4.0);
    // Work that the wanted change of speed takes, on top of the drag.
    const double hurry =
        (driver_.target(t + 0.01) - driver_.target(t - 0.01)) / 0.02 * slot_deg / (6.0 * work);
    double want = 0.55 + 0.45 * target / idle_ + hurry + habits_.gain * error + integral_;
    // Rich and open while starting, until the flare's peak.
    if (!caught) flaring_ = true;
    if (flaring_ && caught && rpm > flare_peak_) {
      flaring_ = false;
      integral_ = 0.0;
    }
    if (flaring_) want = caught ? 6.0 : 3.0;
    if (blip_ == Blip::waiting && driver_.wants_blip(t)) blip_ = Blip::opening;
    if (blip_ == Blip::opening && rpm > 0.93 * driver_.blip_peak()) blip_ = Blip::closing;
    if (blip_ == Blip::closing && rpm < 1.15 * target) blip_ = Blip::done;
    if (blip_ == Blip::opening) want = 6.0;
    if (blip_ == Blip::closing) want = 0.25;
    const double lag = blip_ == Blip::opening || hunting_ ? 0.04 : habits_.lag_s;
    opening_ += dt / lag * (std::clamp(want, 0.2, 7.0) - opening_);
    return opening_;
  }

 private:
  enum class Blip { waiting, opening, closing, done };
  const Driver& driver_;
  Habits habits_;
  double idle_;
  double flare_peak_;
  bool hunting_;
  double opening_ = 1.0;
  double integral_ = 0.0;
  bool flaring_ = false;
  Blip blip_ = Blip::waiting;
};

/// A power stroke on its way.
struct Stroke {
  double top_deg;
  double work;

  /// The share of its work that is done when the crank stands there.
  [[nodiscard]] double share_done_at(double angle_deg, double power_deg) const {
    const double x = std::clamp((angle_deg - top_deg) / power_deg, 0.0, 1.0);
    return 0.5 - 0.5 * std::cos(std::numbers::pi * x);
  }
};

/// An exhaust event that waits for its valve to open.
struct Pending {
  double open_deg;
  Event event;
};

/// Coefficient of variation of the work of the strokes that fired; empty for fewer than two.
std::optional<double> variation_of_work(const std::vector<Event>& events) {
  double sum = 0.0, squares = 0.0, count = 0.0;
  for (const Event& e : events) {
    if (!e.running || !e.fired) continue;
    const double w = e.heat * e.charge;
    sum += w;
    squares += w * w;
    count += 1.0;
  }
  if (count <= 1.0) return std::nullopt;
  return std::sqrt(std::max(0.0, squares / count - sum * sum / (count * count))) * count / sum;
}

}  // namespace

double idle_speed(const EngineUnderTest& engine) {
  if (engine.idle_rpm > 0.0) return engine.idle_rpm;
  Random random{engine.seed, 3};
  const Engine layout = engine_of(engine);
  if (layout.strokes() == 2 || layout.cylinders() == 1) return random.uniform(1100.0, 1600.0);
  if (layout.cylinders() == 2) return random.uniform(950.0, 1300.0);
  if (engine.layout == "diesel4") return random.uniform(700.0, 900.0);
  return random.uniform(560.0, 930.0);
}

CrankRun run_crank(const Scene& scene, const Engine& layout) {
  EngineSpec spec = builtin_engine(scene.engine.layout).value();
  spec.heard.clear();
  const Engine all = Engine::make(spec).value();
  const Geometry geometry = geometry_of(all);
  const double idle = idle_speed(scene.engine);
  const Habits habits = draw_habits(scene.engine, all.cylinders());
  Combustion combustion{scene, all, layout};
  Random random{scene.seed, 5};

  const auto heard = [&](int cylinder) {
    return std::any_of(layout.positions().begin(), layout.positions().end(),
                       [&](const FiringPosition& p) { return p.cylinder == cylinder; });
  };
  // Kinetic energy in rpm^2 / 2: a lost stroke at idle takes `sag` of the speed.
  const double work = habits.sag * idle * idle;
  const double drag_per_deg = work / geometry.slot_deg;

  const Driver driver{scene, idle, 6.0 * drag_per_deg};

  CrankRun run;
  double rpm = driver.starts_standing() ? 0.0 : driver.target(-warm_up_s);
  double angle = random.uniform(0.0, geometry.cycle_deg);
  double rough_load = 0.0;
  bool caught = !driver.starts_standing();
  const double flare_peak = random.uniform(1.05, 1.5) * idle;
  Throttle throttle{driver, habits, idle, flare_peak, scene.profile == "hunting"};
  std::deque<Stroke> strokes;
  std::deque<Pending> pending;
  std::size_t next_position = 0;
  double next_cycle = geometry.cycle_deg * std::ceil(angle / geometry.cycle_deg);

  const auto positions = all.positions();
  const double dt = CrankRun::step_s;
  const auto steps = static_cast<long>(std::lround((warm_up_s + scene.duration_s) / dt));
  for (long step = 0; step < steps; ++step) {
    const double t = -warm_up_s + dt * static_cast<double>(step);
    const bool ignition = driver.ignition(t);
    if (ignition && rpm > 1.5 * starter_rpm) caught = true;
    if (!ignition) caught = false;
    const bool starter = driver.starter(t, rpm, caught);
    const bool running = ignition && caught && rpm > 0.0;

    const double opening = throttle.step(t, dt, rpm, running, caught, work, geometry.slot_deg);
    rough_load +=
        dt / 0.4 * -rough_load + habits.wander * std::sqrt(2.0 * dt / 0.4) * random.normal();

    // Firings that begin in this step.
    const double turned = rpm * 6.0 * dt;
    while (next_cycle + positions[next_position].angle.value() <= angle + turned && turned > 0.0) {
      const FiringPosition& position = positions[next_position];
      const double top = next_cycle + position.angle.value();
      const double speed = rpm;
      Combustion::Outcome outcome = combustion.next(position.cylinder, t, speed, ignition);
      if (!running && outcome.fired && random.chance(0.35))
        outcome = {false, 0.0, outcome.filling, false};
      strokes.push_back({top, work * opening * outcome.heat});
      const double filling = outcome.filling * opening;
      pending.push_back({top + geometry.valve_open_deg,
                         {0.0, position.cylinder, outcome.fired, outcome.heat, running,
                          heard(position.cylinder), speed, filling, outcome.afterfire}});
      if (++next_position == positions.size()) {
        next_position = 0;
        next_cycle += geometry.cycle_deg;
      }
    }
    while (!pending.empty() && pending.front().open_deg <= angle + turned && turned > 0.0) {
      Event event = pending.front().event;
      event.time_s = t + dt * (pending.front().open_deg - angle) / turned;
      event.rpm = rpm;
      event.running = event.running && ignition;
      pending.pop_front();
      if (event.time_s >= 0.0) run.events.push_back(event);
    }
    if (t >= 0.0) {
      run.rpm.push_back(rpm);
      run.angle_deg.push_back(angle);
      run.running.push_back(running ? 1 : 0);
    }

    double gained = 0.0;
    for (const Stroke& s : strokes) {
      gained += s.work * (s.share_done_at(angle + turned, geometry.power_deg) -
                          s.share_done_at(angle, geometry.power_deg));
    }
    while (!strokes.empty() && angle > strokes.front().top_deg + geometry.power_deg)
      strokes.pop_front();
    double drag = drag_per_deg * (0.55 + 0.45 * rpm / idle + rough_load + driver.load(t));
    if (!ignition) {
      drag = drag_per_deg * 1.6 *
             (1.0 + 0.5 * std::cos(2.0 * std::numbers::pi * angle / geometry.slot_deg));
    }
    double energy = 0.5 * rpm * rpm + gained - drag * turned;
    if (starter) {
      energy += drag_per_deg * std::max(turned, 6.0 * 30.0 * dt) *
                std::max(0.0, 1.7 + 6.0 * (1.0 - rpm / starter_rpm));
    }
    rpm = energy > 0.0 ? std::sqrt(2.0 * energy) : 0.0;
    if (rpm < stall_rpm && !starter && !running) rpm = 0.0;
    angle += turned;
  }

  if (const auto variation = variation_of_work(run.events)) run.cov_imep = *variation;
  run.bad = combustion.bad();
  run.p = combustion.p();
  return run;
}

}  // namespace pipebeat::synth
