// Scenes, their labels, and the samples that ship with the project.
#include <doctest/doctest.h>

#include <sndfile.h>
#include <algorithm>
#include <cmath>
#include <complex>
#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <numbers>
#include <set>
#include <sstream>
#include <stdexcept>

#include "catalogue.hpp"
#include "render.hpp"

using namespace pipebeat;
using namespace pipebeat::synth;
using nlohmann::json;

namespace {

Scene short_four() {
  Scene s;
  s.duration_s = 6.0;
  s.trouble.condition = "inter";
  s.trouble.p = 0.4;
  s.background = {"speech", "engine"};
  s.snr_db = 6.0;
  s.wind_db = 0.0;
  s.microphone.gate_db = 8.0;
  s.microphone.agc = 0.6;
  return s;
}

std::string text_of(const std::string& path) {
  std::ifstream in{path};
  REQUIRE_MESSAGE(in.good(), path);
  std::ostringstream text;
  text << in.rdbuf();
  return text.str();
}

Signal audio_of(const std::string& path) {
  SF_INFO info{};
  SNDFILE* file = sf_open(path.c_str(), SFM_READ, &info);
  REQUIRE_MESSAGE(file != nullptr, path);
  Signal x(static_cast<std::size_t>(info.frames));
  REQUIRE(sf_readf_double(file, x.data(), info.frames) == info.frames);
  sf_close(file);
  return x;
}

/// Power of cycle line k of a recording, unrolled by its own crank angle.
double line_power(const Recording& r, int k) {
  std::complex<double> sum{};
  for (std::size_t i = 0; i < r.samples.size(); ++i) {
    const double step = static_cast<double>(i) / r.rate_hz / CrankRun::step_s;
    const auto at = std::min(static_cast<std::size_t>(step), r.run.angle_deg.size() - 2);
    const double part = step - static_cast<double>(at);
    const double angle =
        r.run.angle_deg[at] + part * (r.run.angle_deg[at + 1] - r.run.angle_deg[at]);
    sum += r.samples[i] * std::polar(1.0, -2.0 * std::numbers::pi * k * angle / 720.0);
  }
  return std::norm(sum / static_cast<double>(r.samples.size()));
}

}  // namespace

TEST_CASE("a scene always sounds the same, another seed does not") {
  const Scene s = short_four();
  const Recording first = render(s), second = render(s);
  CHECK(first.samples == second.samples);
  CHECK(label(s, first, "a.wav") == label(s, second, "a.wav"));
  Scene other = s;
  other.seed = 2;
  CHECK(render(other).samples != first.samples);
}

TEST_CASE("another microphone or another noise leaves the engine's events where they were") {
  const Scene a = short_four();
  Scene b = a;
  b.microphone.rate_hz = 16000;
  b.background = {"rain"};
  b.view = "bonnet";
  const Recording one = render(a), two = render(b);
  REQUIRE(one.run.events.size() == two.run.events.size());
  for (std::size_t i = 0; i < one.run.events.size(); ++i) {
    CHECK(one.run.events[i].time_s == two.run.events[i].time_s);
    CHECK(one.run.events[i].fired == two.run.events[i].fired);
  }
}

TEST_CASE("the sound of a dead cylinder stands at the lines between the firing lines") {
  const auto between_over_firing_db = [](const std::string& condition) {
    Scene s;
    s.duration_s = 10.0;
    s.engine.headers = "long";
    s.trouble.condition = condition;
    const Recording r = render(s);
    double firing = 0.0, between = 0.0;
    for (int k = 1; k <= 12; ++k) (k % 4 == 0 ? firing : between) += line_power(r, k);
    return 10.0 * std::log10(between / firing);
  };
  const double healthy = between_over_firing_db("healthy");
  CHECK(healthy < -8.0);
  CHECK(between_over_firing_db("dead") > healthy + 8.0);
}

TEST_CASE("labels parse and agree with themselves") {
  const Scene s = short_four();
  const json j = json::parse(label(s, render(s), "x.flac"));
  for (const char* field : {"file",
                            "layout",
                            "cylinders",
                            "strokes",
                            "exhaust",
                            "heard_cylinders",
                            "heard_intervals_deg",
                            "firing_order",
                            "intervals_deg",
                            "unequal_headers",
                            "args",
                            "cyl_missing_ratio",
                            "position_missing_ratio",
                            "firing_hz",
                            "firing_hz_all_cylinders",
                            "class",
                            "condition",
                            "profile",
                            "mic",
                            "snr_db",
                            "bad",
                            "p",
                            "bad_positions",
                            "hardware",
                            "mic_chain",
                            "view",
                            "background",
                            "duration",
                            "fs",
                            "clip_share",
                            "rpm_mean_running",
                            "rpm_mean_file",
                            "cov_imep",
                            "expected",
                            "missing",
                            "missing_ratio",
                            "per_cyl",
                            "rpm_trace",
                            "events",
                            "engine_id"}) {
    CAPTURE(field);
    CHECK(j.contains(field));
  }
  CHECK(j["class"] == "intermittent");
  int expected = 0, missing = 0;
  for (const json& e : j["events"]) {
    if (e[4] == 0 || e[5] == 0) continue;
    ++expected;
    missing += e[2] == 0 ? 1 : 0;
  }
  CHECK(missing > 0);
  CHECK(j["expected"] == expected);
  CHECK(j["missing"] == missing);
  CHECK(std::abs(j["missing_ratio"].get<double>() - static_cast<double>(missing) / expected) <
        1e-5);
  CHECK(j["rpm_trace"].size() == 120);
  double mean = 0.0;
  for (const json& v : j["rpm_trace"]) mean += v.get<double>() / 120.0;
  CHECK(std::abs(j["rpm_mean_running"].get<double>() - mean) < 1.0);
  CHECK(std::abs(j["firing_hz"].get<double>() - mean / 30.0) < 0.05);  // four-stroke four: rpm / 30
}

TEST_CASE("a scene survives its own description, a wrong one is refused by name") {
  const Scene s = short_four();
  CHECK(to_json(scene_from_json(to_json(s))) == to_json(s));
  const auto refused = [](const std::string& text, const std::string& word) {
    try {
      scene_from_json(text);
    } catch (const std::invalid_argument& e) {
      return std::string{e.what()}.find(word) != std::string::npos;
    }
    return false;
  };
  CHECK(refused("{", "parse"));
  CHECK(refused(R"({"enginee": {}})", "enginee"));
  CHECK(refused(R"({"microphone": {"rate": 1}})", "microphone.rate"));
  CHECK(refused(R"({"engine": {"layout": "w16"}})", "w16"));
  CHECK(refused(R"({"profile": "drag"})", "profile"));
  CHECK(refused(R"({"background": ["whales"]})", "whales"));
  CHECK(refused(R"({"trouble": {"cylinders": [5]}})", "cylinders"));
  CHECK(refused(R"({"duration_s": -1})", "duration_s"));
}

TEST_CASE("every named scene renders something, under a name of its own") {
  std::set<std::string> names;
  for (NamedScene named : named_scenes()) {
    CAPTURE(named.name);
    CHECK(names.insert(named.name).second);
    CHECK_FALSE(named.description.empty());
    named.scene.duration_s = 1.0;
    named.scene.microphone.codec.clear();
    const Recording r = render(named.scene);
    CHECK(r.samples.size() == static_cast<std::size_t>(r.rate_hz));
    CHECK(rms(r.samples) > 0.0);
    CHECK(std::all_of(r.samples.begin(), r.samples.end(),
                      [](double v) { return std::abs(v) <= 1.0; }));
    CHECK(json::parse(label(named.scene, r, "x.wav"))["file"] == "x.wav");
  }
}

TEST_CASE("random scenes are dealt evenly and several share an engine") {
  const std::vector<Scene> scenes = random_scenes(500, 9, true);
  std::map<std::string, int> layouts, conditions, profiles, microphones, engines, others;
  int coded = 0;
  for (const Scene& s : scenes) {
    CHECK_NOTHROW(check(s));
    ++microphones[s.microphone.name];
    coded += s.microphone.codec.empty() ? 0 : 1;
    if (!s.instead.empty()) {
      ++others[s.instead];
      continue;
    }
    ++layouts[s.engine.layout];
    ++conditions[s.trouble.condition];
    ++profiles[s.profile];
    ++engines[s.engine.id];
  }
  CHECK(layouts.size() == builtin_engines().size());
  CHECK(conditions.size() == 11);
  CHECK(profiles.size() == 11);
  CHECK(microphones.size() == 6);
  CHECK(others.size() == 29);
  CHECK(conditions["healthy"] > 100);
  CHECK(conditions["healthy"] < 200);
  CHECK(engines.size() > 80);
  CHECK(engines.size() < 180);
  CHECK(coded > 110);
  CHECK(coded < 190);
  CHECK(to_json(random_scenes(20, 9, true)[7]) == to_json(scenes[7]));
}

TEST_CASE("the shipped samples are what their scenes give") {
  for (const char* name : {"van-before", "van-after", "van-raised"}) {
    CAPTURE(name);
    const std::string directory = SAMPLES_DIRECTORY;
    const Scene scene = scene_from_json(text_of(directory + "/scenes/" + name + ".json"));
    const Recording made = render(scene);
    const Signal shipped = audio_of(directory + "/" + name + ".flac");
    REQUIRE(shipped.size() == made.samples.size());
    Signal difference(shipped.size());
    for (std::size_t i = 0; i < shipped.size(); ++i) difference[i] = shipped[i] - made.samples[i];
    CHECK(rms(difference) < 1e-3 * rms(shipped));  // other compilers may round otherwise
    const json truth = json::parse(text_of(directory + "/" + name + ".json"));
    const json now = json::parse(label(scene, made, std::string{name} + ".flac"));
    CHECK(truth["missing"] == now["missing"]);
    CHECK(truth["expected"] == now["expected"]);
    CHECK(truth["class"] == (std::string{name} == "van-after" ? "even" : "dead"));
  }
}
