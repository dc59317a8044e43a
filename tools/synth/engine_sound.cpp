// From valve openings to sound pressure: exhaust pulses through runners, pipes and mufflers, the
// hiss of the flow, and what rattles under the bonnet.
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "gas.hpp"
#include "random.hpp"
#include "render.hpp"

namespace pipebeat::synth {

namespace {

constexpr double gas_sound_speed = 430.0;  // m/s in the runners, hot gas near 200 to 250 C

/// What one cylinder's runner does to its pulse.
struct Runner {
  double delay_s;
  double gain;
  double width;  // of the blowdown relative to the engine's
  double depth;  // an unfired stroke leaves 1 - depth of the pulse; above 1 it is a gulp inwards
  double gone;   // share of heat lost at which the whole pulse is lost
};

/// Share of the pulse that goes with a share of the heat. At idle a cylinder that burns half its
/// charge opens near outside pressure and gives much less than half the pulse; small scatter of
/// the heat passes as it is.
double lost_pulse(double lost_heat, double gone) {
  constexpr double small = 0.15;
  if (lost_heat <= small) return lost_heat;
  return std::min(1.0, small + (lost_heat - small) / (gone - small) * (1.0 - small));
}

std::vector<Runner> runners_of(const EngineUnderTest& engine, int cylinders) {
  Random random{engine.seed, 10};
  const double spread_m = engine.headers == "tubular" ? 0.6 : engine.headers == "log" ? 0.15 : 0.05;
  const double gain_spread = random.log_uniform(0.025, engine.headers == "tubular" ? 0.16 : 0.09);
  // Mostly 0.9 to 1.3; more where a strong vacuum in the inlet leaves little gas to push out.
  const double depth = random.chance(0.7) ? random.uniform(0.9, 1.3) : random.uniform(1.3, 1.8);
  const double gone = random.uniform(0.6, 1.0);
  std::vector<Runner> runners;
  for (int c = 0; c < cylinders; ++c) {
    runners.push_back({random.uniform(0.0, spread_m) / gas_sound_speed,
                       std::exp(gain_spread * random.normal()), std::exp(0.06 * random.normal()),
                       depth + 0.05 * random.normal(), gone});
  }
  const auto longer = static_cast<std::size_t>(random.integer(0, cylinders - 1));
  runners[longer].delay_s += engine.header_step_m / gas_sound_speed;
  return runners;
}

/// Adds the flow of one exhaust stroke: blowdown (rises in a few ms, decays) and the piston's push.
void add_stroke(Signal& flow, double rate, double start_s, double blowdown, double rise_s,
                double push, double push_from_s, double push_for_s) {
  const auto frames = static_cast<double>(flow.size());
  const double end_s = std::max(9.0 * rise_s, push_from_s + push_for_s);
  const auto from = static_cast<std::size_t>(std::clamp(std::ceil(start_s * rate), 0.0, frames));
  const auto to =
      static_cast<std::size_t>(std::clamp(std::ceil((start_s + end_s) * rate), 0.0, frames));
  for (std::size_t i = from; i < to; ++i) {
    const double t = static_cast<double>(i) / rate - start_s;
    const double x = t / rise_s;
    double q = x < 9.0 ? blowdown * x * x * std::exp(2.0 * (1.0 - x)) : 0.0;
    if (t > push_from_s && t < push_from_s + push_for_s) {
      q += push * std::sin(std::numbers::pi * (t - push_from_s) / push_for_s);
    }
    flow[i] += q;
  }
}

/// A short ringing: valve seats, injectors, knocks.
void add_tick(Signal& x, double rate, double start_s, double level, double hz, double decay_s) {
  const double at = start_s * rate;
  if (at < 0.0) return;
  const auto from = static_cast<std::size_t>(at);
  const auto to = std::min(x.size(), from + static_cast<std::size_t>(7.0 * decay_s * rate));
  for (std::size_t i = from; i < to; ++i) {
    const double t = static_cast<double>(i - from) / rate;
    x[i] += level * std::exp(-t / decay_s) * std::sin(2.0 * std::numbers::pi * hz * t);
  }
}

Signal lowpassed_noise(Random& random, std::size_t frames, double hz, double rate) {
  Signal x(frames);
  OnePole a{hz, rate}, b{hz, rate};
  for (double& v : x) v = b(a(random.noise()));
  const double level = rms(x);
  for (double& v : x) v /= level;
  return x;
}

/// Sound at the end of the pipe: booming flow and hiss, about 1 Pa at one metre when idling open.
Signal tailpipe_sound(const Scene& scene, const Engine& layout, const CrankRun& run, double rate,
                      std::uint64_t noise_seed) {
  const EngineUnderTest& engine = scene.engine;
  const auto frames = static_cast<std::size_t>(std::lround(scene.duration_s * rate));
  const std::vector<Runner> runners = runners_of(engine, layout.cylinders());
  Random fixed{engine.seed, 11};
  Random random{noise_seed, 12};
  const double rise_base_s = fixed.uniform(0.0011, 0.0024);
  const double rise_deg = fixed.uniform(8.0, 20.0);
  const double push_share = fixed.uniform(0.12, 0.35);
  const double pulse_jitter = fixed.uniform(0.02, 0.06);
  const double hiss_jitter = fixed.uniform(0.15, 0.5);
  const bool diesel = engine.layout == "diesel4";
  const double crossed = fixed.uniform(0.05, 0.25);  // what the other bank's pipe adds
  const double exhaust_deg = layout.strokes() == 4 ? 200.0 : 110.0;

  const bool waves = engine.pipes == "waves";
  const Signal mouth = waves ? mouth_flow(scene, layout, run, rate) : Signal{};
  OnePole waver{25.0, rate};
  Signal flow(frames, 0.0);
  Signal jet(frames, 0.0);  // what makes the hiss: never reversed, rougher from pulse to pulse
  for (const Event& e : run.events) {
    const double gain_here = e.heard ? 1.0 : engine.outlets == 2 ? crossed : 0.0;
    if (gain_here == 0.0 || e.rpm < 20.0) continue;
    const Runner& runner = runners[static_cast<std::size_t>(e.cylinder - 1)];
    const double seconds_per_deg = 1.0 / (6.0 * std::max(e.rpm, 80.0));
    const double filling = std::clamp(0.35 + 0.65 * e.charge, 0.25, 4.0);
    const double lost = 1.0 - std::min(e.heat, 2.0);
    const double burnt = 1.0 - runner.depth * lost_pulse(lost, runner.gone);
    const double lift = e.running ? 1.0 : std::min(1.0, e.rpm / 600.0);
    const double blowdown = gain_here * runner.gain * filling * lift * burnt *
                            std::exp(pulse_jitter * random.normal()) * (diesel ? 1.3 : 1.0);
    const double rise =
        runner.width * (rise_base_s + rise_deg * seconds_per_deg) * (e.fired ? 1.0 : 1.35);
    const double push =
        gain_here * push_share * filling * lift * (0.7 + 0.3 * std::min(e.heat, 1.3));
    const double start = e.time_s + runner.delay_s;
    add_stroke(flow, rate, start, blowdown, rise, push, 35.0 * seconds_per_deg,
               exhaust_deg * seconds_per_deg);
    const double hiss = std::exp(hiss_jitter * random.normal());
    add_stroke(jet, rate, start, std::max(0.0, blowdown) * hiss, 0.8 * rise, push * hiss,
               35.0 * seconds_per_deg, exhaust_deg * seconds_per_deg);
    if (!e.fired && e.running && blowdown < 0.0) {
      // The gulp hisses too, but softly.
      add_stroke(jet, rate, start, -0.4 * blowdown * hiss, rise, 0.0, 0.0, 0.0);
    }
    if (e.afterfire) {
      const double late = start + random.uniform(10.0, 120.0) * seconds_per_deg;
      const double bang = filling * random.log_uniform(0.3, 1.5);
      add_stroke(flow, rate, late, bang, 0.5 * rise, 0.0, 0.0, 0.0);
      add_stroke(jet, rate, late, bang, 0.5 * rise, 0.0, 0.0, 0.0);
    }
  }

  // Manifold, front pipe (closed at the valves), mufflers, tail pipe (open at both ends).
  Pipe front{2.0 * fixed.uniform(0.5, 1.4) / gas_sound_speed, -fixed.uniform(0.25, 0.75), 700.0,
             rate};
  Pipe middle{2.0 * fixed.uniform(1.2, 3.2) / gas_sound_speed, -fixed.uniform(0.15, 0.65), 400.0,
              rate};
  Pipe tail{2.0 * fixed.uniform(0.3, 1.1) / 390.0, fixed.uniform(0.3, 0.65), 1800.0, rate};
  std::vector<Biquad> boxes;
  if (engine.catalyst) {
    const double q = fixed.uniform(0.5, 0.8);
    const double hz = fixed.uniform(280.0, 700.0);
    boxes.push_back(Biquad::lowpass(hz, q, rate));
  }
  for (int m = 0; m < engine.muffler; ++m) {
    const double q = fixed.uniform(0.6, 1.8);
    const double hz = fixed.uniform(90.0, 260.0);
    boxes.push_back(Biquad::lowpass(hz, q, rate));
  }
  const double leak = fixed.log_uniform(0.006, 0.12);  // what passes every box unfiltered
  OnePole wind_up{90.0, rate};
  const double path_delay_s = fixed.uniform(0.008, 0.02);
  Biquad hiss_low = Biquad::highpass(fixed.uniform(350.0, 1000.0), 0.7, rate);
  OnePole hiss_high{fixed.uniform(1500.0, 5000.0), rate};
  Biquad hiss_top = Biquad::lowpass(9000.0, 0.7, rate);
  const double hiss_level = fixed.log_uniform(0.0012, 0.05) * (engine.muffler == 2 ? 0.6 : 1.0);
  const double jet_floor = fixed.uniform(0.05, 0.4);
  const double jet_power = fixed.uniform(1.0, 1.7);
  const Signal rumble = lowpassed_noise(random, frames, 90.0, rate);
  const double rumble_level = fixed.log_uniform(0.01, 0.12) * (waves ? 0.3 : 1.0);

  Signal out(frames, 0.0);
  double before = 0.0;
  const auto shift = static_cast<std::size_t>(path_delay_s * rate);
  for (std::size_t i = 0; i < frames; ++i) {
    double q = 0.0;
    double speed_of_jet = 0.0;
    if (waves) {
      q = mouth[i];
      speed_of_jet = wind_up(std::abs(q)) * std::exp(hiss_jitter * 25.0 * waver(random.noise()));
    } else {
      q = middle(front(i >= shift ? flow[i - shift] : 0.0));
      const double direct = q;
      for (Biquad& box : boxes) q = box(q);
      q = tail(q + leak * direct);
      speed_of_jet = wind_up(i >= shift ? jet[i - shift] : 0.0);
    }
    const double radiated = (q - before) * rate / 1000.0;  // pressure follows the change of flow
    before = q;
    const double hiss = hiss_top(hiss_high(hiss_low(random.noise())));
    const double turning = run.rpm_at(static_cast<double>(i) / rate);
    const double jet_now = jet_floor * std::min(1.0, turning / 700.0) + std::max(0.0, speed_of_jet);
    out[i] = radiated + hiss_level * std::pow(jet_now, jet_power) * hiss * 6.0 +
             rumble_level * rumble[i] * jet_now * 0.5;
  }
  return out;
}

/// Sound of the engine itself: combustion knock, valve ticks, accessories, intake.
Signal bonnet_sound(const Scene& scene, const Engine& layout, const CrankRun& run, double rate) {
  const EngineUnderTest& engine = scene.engine;
  const auto frames = static_cast<std::size_t>(std::lround(scene.duration_s * rate));
  Random fixed{engine.seed, 20};
  Random random{scene.seed, 21};
  const bool diesel = engine.layout == "diesel4";
  Signal sound(frames, 0.0);
  Signal rough(frames, 0.0);  // modulates the broadband rattle

  struct Cylinder {
    double inlet, outlet, injector, knock;
    double hz;
  };
  std::vector<Cylinder> cylinders;
  for (int c = 0; c < layout.cylinders(); ++c) {
    cylinders.push_back({0.03 * std::exp(0.7 * fixed.normal()),
                         0.03 * std::exp(0.7 * fixed.normal()),
                         0.02 * std::exp(0.5 * fixed.normal()),
                         (diesel ? 0.5 : 0.09) * std::exp(0.25 * fixed.normal()),
                         fixed.log_uniform(1800.0, 6000.0)});
  }
  // One part often ticks louder than all the rest, once per cycle, whoever fires.
  const double loud_tick = fixed.chance(0.6) ? fixed.log_uniform(0.08, 0.6) : 0.0;
  const double loud_at = fixed.uniform(0.0, layout.cycle().value());
  const double loud_hz = fixed.log_uniform(1500.0, 5000.0);
  const double knock_hz = fixed.log_uniform(350.0, 900.0);
  const int marker = layout.positions()[0].cylinder;

  for (const Event& e : run.events) {
    if (e.rpm < 20.0) continue;
    const Cylinder& c = cylinders[static_cast<std::size_t>(e.cylinder - 1)];
    const double per_deg = 1.0 / (6.0 * std::max(e.rpm, 80.0));
    const double hard = std::pow(std::max(e.rpm, 80.0) / 750.0, 1.2);
    const double jitter = std::exp(0.15 * random.normal());
    if (e.fired) {
      const double top = e.time_s - 118.0 * per_deg;
      add_tick(sound, rate, top, c.knock * e.heat * std::exp(0.2 * random.normal()), knock_hz,
               0.004);
      add_tick(sound, rate, top, 0.4 * c.knock * e.heat * random.normal(), 2.7 * knock_hz, 0.002);
    }
    add_stroke(rough, rate, e.time_s - 110.0 * per_deg, (e.fired ? 0.8 * e.heat : 0.15),
               25.0 * per_deg, 0.0, 0.0, 0.0);
    add_tick(sound, rate, e.time_s + 240.0 * per_deg, c.outlet * hard * jitter, c.hz, 0.0012);
    add_tick(sound, rate, e.time_s + 460.0 * per_deg, c.inlet * hard / jitter, 1.2 * c.hz, 0.0012);
    add_tick(sound, rate, e.time_s + 330.0 * per_deg, c.injector, 1.6 * c.hz, 0.0006);
    if (e.cylinder == marker && loud_tick > 0.0) {
      add_tick(sound, rate, e.time_s + loud_at * per_deg, loud_tick * hard * jitter, loud_hz,
               0.0015);
    }
    // The inlet's gulp, a low thud.
    add_stroke(sound, rate, e.time_s + 250.0 * per_deg, -0.05 * std::sqrt(std::max(0.1, e.charge)),
               45.0 * per_deg, 0.0, 0.0, 0.0);
  }

  const double rattle = fixed.log_uniform(0.03, 0.28);
  const double whine_ratio = fixed.uniform(2.1, 2.9);
  const double whine_order = whine_ratio * fixed.integer(5, 12);
  const double whine = fixed.log_uniform(0.002, 0.02);
  const double belt_order = fixed.uniform(0.3, 0.45);
  const double chirp = fixed.chance(0.25) ? fixed.log_uniform(0.005, 0.04) : 0.0;
  Biquad low = Biquad::highpass(150.0, 0.7, rate);
  OnePole high{fixed.uniform(3000.0, 9000.0), rate};
  Biquad ring_a = Biquad::bandpass(fixed.log_uniform(250.0, 700.0), 4.0, rate);
  Biquad ring_b = Biquad::bandpass(fixed.log_uniform(800.0, 2500.0), 5.0, rate);
  double phase = 0.0;
  for (std::size_t i = 0; i < frames; ++i) {
    const double rpm = run.rpm_at(static_cast<double>(i) / rate);
    const double spin = std::min(1.5, rpm / 750.0);
    phase += rpm / 60.0 / rate;
    const double white = random.noise();
    const double body = high(low(white));
    const double belt =
        std::max(0.0, std::cos(2.0 * std::numbers::pi * belt_order * phase) - 0.9) * 10.0;
    sound[i] += spin * (rattle * body * (0.5 + 0.5 * rough[i]) +
                        1.5 * rattle * (ring_a(white) + ring_b(white)) * (0.3 + 0.7 * rough[i]) +
                        whine * std::sin(2.0 * std::numbers::pi * whine_order * phase) +
                        chirp * belt * std::sin(2.0 * std::numbers::pi * 97.0 * phase));
  }
  return sound;
}

}  // namespace

Signal engine_sound(const Scene& scene, const Engine& layout, const CrankRun& run, double rate) {
  Random place{scene.seed, 30};
  Signal out = tailpipe_sound(scene, layout, run, rate, scene.seed);
  if (scene.view != "tailpipe") {
    const bool bonnet = scene.view == "bonnet";
    const double tail = bonnet ? place.log_uniform(0.03, 0.3) : place.log_uniform(0.25, 0.7);
    const double front = bonnet ? 1.0 : place.log_uniform(0.1, 0.5);
    OnePole around{bonnet ? 250.0 : 900.0, rate};  // round the car's corners
    const Signal mechanical = bonnet_sound(scene, layout, run, rate);
    const auto late = static_cast<std::size_t>(place.uniform(2.0, 4.0) / 343.0 * rate);
    Signal mixed(out.size(), 0.0);
    for (std::size_t i = 0; i < out.size(); ++i) {
      mixed[i] = tail * around(i >= late ? out[i - late] : 0.0) + front * mechanical[i];
    }
    out = std::move(mixed);
  }
  // The ground gives one reflection: a comb above a few hundred hertz.
  const double height = place.uniform(0.2, 1.2);
  const double extra_s = (std::hypot(scene.distance_m, 2.0 * height) - scene.distance_m) / 343.0;
  const double bounce = place.uniform(0.2, 0.6);
  const auto late = static_cast<std::size_t>(extra_s * rate);
  OnePole soft{5000.0, rate};
  Signal heard(out.size());
  for (std::size_t i = 0; i < out.size(); ++i) {
    heard[i] =
        (out[i] + bounce * soft(i >= late ? out[i - late] : 0.0)) / std::max(0.3, scene.distance_m);
  }
  return heard;
}

}  // namespace pipebeat::synth
