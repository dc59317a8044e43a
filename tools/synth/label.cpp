// The truth of a recording as one JSON object.
#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "render.hpp"

namespace pipebeat::synth {

namespace {

using Json = nlohmann::ordered_json;

double rounded(double x, int digits) {
  const double scale = std::pow(10.0, digits);
  return std::round(x * scale) / scale;
}

struct Count {
  int expected = 0;
  int missing = 0;
  [[nodiscard]] double ratio() const {
    return expected == 0 ? 0.0 : static_cast<double>(missing) / expected;
  }
};

std::string class_of(const std::string& condition, const Count& all, double worst_position) {
  if (condition == "healthy") return all.missing == 0 ? "even" : "scattered";
  if (condition == "weak" || condition == "lowcomp") return "weak";
  if (condition == "lumpy") return "lumpy";
  if (condition == "scatter") return all.missing == 0 ? "even" : "scattered";
  if (condition == "inter")
    return all.missing == 0 ? "even" : worst_position >= 0.95 ? "dead" : "intermittent";
  return "dead";
}

Json microphone_chain(const Scene& scene) {
  const Microphone& m = scene.microphone;
  Json chain{{"hp", m.highpass_hz}, {"hporder", m.highpass_order}, {"fs", m.rate_hz}};
  if (m.bandlimit_hz > 0.0) chain["codec"] = m.bandlimit_hz;
  if (m.agc > 0.0) chain["agc"] = m.agc;
  if (m.gate_db > 0.0) chain["gate"] = m.gate_db;
  if (m.square_law > 0.0) chain["square_law"] = m.square_law;
  if (m.soft_clip > 0.0) chain["soft_clip"] = m.soft_clip;
  if (m.clip_share > 0.0) chain["clip"] = m.clip_share;
  if (m.reverb > 0.0) chain["reverb"] = m.reverb;
  if (scene.wind_db > -60.0) chain["wind"] = scene.wind_db;
  chain["lvl"] = m.level_dbfs;
  chain["dist"] = scene.distance_m;
  if (!m.codec.empty()) {
    chain["lossy"] = m.codec;
    chain["lossy_kbps"] = m.kbps;
  }
  return chain;
}

/// Means over 50 ms.
std::vector<double> speed_trace(const CrankRun& run) {
  const auto per = static_cast<std::size_t>(std::lround(0.05 / CrankRun::step_s));
  std::vector<double> trace;
  for (std::size_t i = 0; i + per <= run.rpm.size(); i += per) {
    double sum = 0.0;
    for (std::size_t k = i; k < i + per; ++k) sum += run.rpm[k];
    trace.push_back(rounded(sum / static_cast<double>(per), 1));
  }
  return trace;
}

void add_engine(Json& j, const Scene& scene, const CrankRun& run) {
  const Engine engine = engine_of(scene.engine);
  const EngineSpec spec = builtin_engine(scene.engine.layout).value();
  EngineSpec whole = spec;
  whole.heard.clear();
  const Engine all = Engine::make(whole).value();
  const auto gaps = [](const Engine& e) {
    std::vector<double> out;
    const auto positions = e.positions();
    for (std::size_t i = 0; i < positions.size(); ++i) {
      const double next =
          i + 1 < positions.size() ? positions[i + 1].angle.value() : e.cycle().value();
      out.push_back(next - positions[i].angle.value());
    }
    return out;
  };
  std::vector<Count> by_cylinder(static_cast<std::size_t>(engine.cylinders()));
  Count heard;
  Json events = Json::array();
  for (const Event& e : run.events) {
    events.push_back({rounded(e.time_s, 5), e.cylinder, e.fired ? 1 : 0, rounded(e.heat, 3),
                      e.running ? 1 : 0, e.heard ? 1 : 0});
    if (!e.running) continue;
    Count& c = by_cylinder[static_cast<std::size_t>(e.cylinder - 1)];
    c.expected += 1;
    c.missing += e.fired ? 0 : 1;
    if (!e.heard) continue;
    heard.expected += 1;
    heard.missing += e.fired ? 0 : 1;
  }
  std::vector<int> order(all.order().begin(), all.order().end());
  std::vector<int> heard_cylinders, bad_positions;
  std::vector<double> cylinder_ratio, position_ratio;
  for (const FiringPosition& p : engine.positions()) {
    heard_cylinders.push_back(p.cylinder);
    position_ratio.push_back(
        rounded(by_cylinder[static_cast<std::size_t>(p.cylinder - 1)].ratio(), 4));
    if (std::find(run.bad.begin(), run.bad.end(), p.cylinder) != run.bad.end()) {
      bad_positions.push_back(static_cast<int>(heard_cylinders.size()));
    }
  }
  Json per_cylinder = Json::array();
  for (const Count& c : by_cylinder) {
    cylinder_ratio.push_back(rounded(c.ratio(), 4));
    per_cylinder.push_back({c.expected, c.missing});
  }
  double turning = 0.0, steps = 0.0, whole_sum = 0.0;
  for (std::size_t i = 0; i < run.rpm.size(); ++i) {
    whole_sum += run.rpm[i];
    if (run.running[i] == 0) continue;
    turning += run.rpm[i];
    steps += 1.0;
  }
  const double mean = steps > 0.0 ? turning / steps : 0.0;
  const double worst = position_ratio.empty()
                           ? 0.0
                           : *std::max_element(position_ratio.begin(), position_ratio.end());

  j["firing_order"] = order;
  j["intervals_deg"] = gaps(all);
  j["heard_cylinders"] = heard_cylinders;
  j["heard_intervals_deg"] = gaps(engine);
  j["unequal_headers"] = scene.engine.headers == "tubular" || scene.engine.header_step_m > 0.1;
  j["cyl_missing_ratio"] = cylinder_ratio;
  j["position_missing_ratio"] = position_ratio;
  j["firing_hz"] = rounded(engine.firing_frequency(Rpm{mean}).value(), 4);
  j["firing_hz_all_cylinders"] = rounded(all.firing_frequency(Rpm{mean}).value(), 4);
  j["class"] = class_of(scene.trouble.condition, heard, worst);
  j["bad"] = run.bad.empty() ? Json(nullptr) : Json(run.bad);
  j["p"] = run.p > 0.0 ? Json(rounded(run.p, 4)) : Json(nullptr);
  j["bad_positions"] = bad_positions;
  j["hardware"] = {{"hdr", scene.engine.headers},          {"cat", scene.engine.catalyst ? 1 : 0},
                   {"muf", scene.engine.muffler},          {"outlets", scene.engine.outlets},
                   {"afterfire", scene.trouble.afterfire}, {"bursty", scene.trouble.bursty}};
  j["rpm_mean_running"] = rounded(mean, 3);
  j["rpm_mean_file"] =
      rounded(run.rpm.empty() ? 0.0 : whole_sum / static_cast<double>(run.rpm.size()), 3);
  j["cov_imep"] = rounded(run.cov_imep, 4);
  j["expected"] = heard.expected;
  j["missing"] = heard.missing;
  j["missing_ratio"] = rounded(heard.ratio(), 5);
  j["per_cyl"] = per_cylinder;
  j["rpm_trace"] = speed_trace(run);
  j["events"] = events;
}

}  // namespace

std::string label(const Scene& scene, const Recording& recording, const std::string& file) {
  const bool engine = scene.instead.empty();
  const Engine layout = engine_of(scene.engine);
  const bool one_bank = static_cast<int>(layout.positions().size()) < layout.cylinders();
  Json j;
  j["file"] = file;
  j["scene"] = scene.name;
  j["engine_id"] = engine ? scene.engine.id : "none";
  j["layout"] = engine ? scene.engine.layout : "none";
  j["cylinders"] = engine ? layout.cylinders() : 0;
  j["strokes"] = engine ? layout.strokes() : 0;
  j["exhaust"] = one_bank ? "one-bank" : "merged";
  j["args"] = {
      {"cylinders", layout.cylinders()},
      {"strokes", layout.strokes()},
      {"rpm_guess", scene.rpm_guess > 0.0 ? Json(std::round(scene.rpm_guess)) : Json(nullptr)},
      {"exhaust", one_bank ? "one-bank" : "merged"},
      {"layout", scene.engine.layout}};
  if (engine) {
    add_engine(j, scene, recording.run);
  } else {
    j["class"] = "not-an-engine";
    j["kind"] = scene.instead;
  }
  j["condition"] = engine ? scene.trouble.condition : "notengine";
  j["profile"] = engine ? scene.profile : scene.instead;
  j["mic"] = scene.microphone.name;
  j["snr_db"] = scene.snr_db;
  j["mic_chain"] = microphone_chain(scene);
  j["view"] = engine ? scene.view : "none";
  j["background"] = scene.background;
  if (!scene.unplugged.empty()) {
    Json changes = Json::array();
    for (const Unplugging& u : scene.unplugged) changes.push_back({u.at_s, u.cylinder});
    j["unplugged"] = changes;
  }
  j["duration"] = scene.duration_s;
  j["fs"] = recording.rate_hz;
  const auto clipped = std::count_if(recording.samples.begin(), recording.samples.end(),
                                     [](double v) { return std::abs(v) >= 0.9999; });
  j["clip_share"] =
      rounded(static_cast<double>(clipped) /
                  static_cast<double>(std::max<std::size_t>(1, recording.samples.size())),
              6);
  return j.dump();
}

}  // namespace pipebeat::synth
