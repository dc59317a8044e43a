#include "scene.hpp"

#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string_view>

namespace pipebeat::synth {

NLOHMANN_DEFINE_TYPE_NON_INTRUSIVE_WITH_DEFAULT(EngineUnderTest, id, seed, layout, headers, pipes,
                                                header_step_m, muffler, catalyst, outlets, idle_rpm,
                                                sag)
NLOHMANN_DEFINE_TYPE_NON_INTRUSIVE_WITH_DEFAULT(Trouble, condition, cylinders, p, bursty, afterfire,
                                                below_rpm, scatter_cov)
NLOHMANN_DEFINE_TYPE_NON_INTRUSIVE_WITH_DEFAULT(Unplugging, at_s, cylinder)
NLOHMANN_DEFINE_TYPE_NON_INTRUSIVE_WITH_DEFAULT(Contact, cylinder, silent, weak, missed, batch)
NLOHMANN_DEFINE_TYPE_NON_INTRUSIVE_WITH_DEFAULT(Microphone, name, rate_hz, highpass_hz,
                                                highpass_order, bandlimit_hz, square_law, gate_db,
                                                agc, soft_clip, level_dbfs, fixed_gain, clip_share,
                                                reverb, codec, kbps)
NLOHMANN_DEFINE_TYPE_NON_INTRUSIVE_WITH_DEFAULT(Scene, name, seed, duration_s, engine, trouble,
                                                profile, hold_rpm, unplugged, contact, view,
                                                distance_m, background, snr_db, wind_db, microphone,
                                                instead, rpm_guess)

namespace {

template <std::size_t N>
void must_be_one_of(const char* key, std::string_view value,
                    const std::array<std::string_view, N>& allowed) {
  if (std::find(allowed.begin(), allowed.end(), value) != allowed.end()) return;
  std::string message =
      std::string{key} + " \"" + std::string{value} + "\" is unknown; write one of";
  for (std::string_view a : allowed) message.append(" ").append(a.empty() ? "\"\"" : a);
  throw std::invalid_argument(message);
}

void must_lie(const char* key, double value, double low, double high) {
  if (value >= low && value <= high) return;
  throw std::invalid_argument(std::string{key} + " must lie between " + std::to_string(low) +
                              " and " + std::to_string(high) + ", not " + std::to_string(value));
}

void reject_unknown_keys(const nlohmann::json& given, const nlohmann::json& known,
                         const std::string& where) {
  for (const auto& [key, value] : given.items()) {
    const std::string path = where.empty() ? key : where + "." + key;
    if (!known.contains(key))
      throw std::invalid_argument("unknown key \"" + path + "\" in the scene");
    if (value.is_object()) reject_unknown_keys(value, known.at(key), path);
  }
}

}  // namespace

Engine engine_of(const EngineUnderTest& engine) {
  const auto spec = builtin_engine(engine.layout);
  if (!spec)
    throw std::invalid_argument("engine.layout \"" + engine.layout + "\" is no built-in layout");
  return Engine::make(*spec).value();
}

void check(const Scene& scene) {
  const Engine layout = engine_of(scene.engine);
  must_be_one_of<3>("engine.headers", scene.engine.headers, {"log", "tubular", "long"});
  must_be_one_of<2>("engine.pipes", scene.engine.pipes, {"simple", "waves"});
  must_be_one_of<11>("trouble.condition", scene.trouble.condition,
                     {"healthy", "dead", "dead2adj", "dead2opp", "half_off", "inter", "scatter",
                      "weak", "lowcomp", "lumpy", "lumpy_dead"});
  must_be_one_of<11>("profile", scene.profile,
                     {"idle", "fast", "cruise", "hunting", "load", "blip", "sweep", "updown",
                      "stop", "restart", "prerun"});
  must_be_one_of<3>("view", scene.view, {"tailpipe", "beside", "bonnet"});
  for (const std::string& b : scene.background) {
    must_be_one_of<9>(
        "background", b,
        {"pink", "hum", "traffic", "speech", "music", "rain", "fan", "bursts", "engine"});
  }
  if (!scene.instead.empty()) must_be_one_of("instead", scene.instead, sounds_without_engine);
  must_be_one_of<4>("microphone.codec", scene.microphone.codec, {"", "mp3", "aac", "opus"});
  for (int c : scene.trouble.cylinders) must_lie("trouble.cylinders", c, 1, layout.cylinders());
  for (const Unplugging& u : scene.unplugged)
    must_lie("unplugged.cylinder", u.cylinder, 0, layout.cylinders());
  must_lie("contact.cylinder", scene.contact.cylinder, 0, layout.cylinders());
  must_lie("contact.missed", scene.contact.missed, 0.0, 1.0);
  must_lie("duration_s", scene.duration_s, 0.1, 3600.0);
  must_lie("engine.muffler", scene.engine.muffler, 0, 2);
  must_lie("engine.outlets", scene.engine.outlets, 1, 2);
  must_lie("trouble.p", scene.trouble.p, 0.0, 1.0);
  must_lie("trouble.bursty", scene.trouble.bursty, 0.0, 0.99);
  must_lie("distance_m", scene.distance_m, 0.05, 50.0);
  must_lie("microphone.highpass_order", scene.microphone.highpass_order, 1, 2);
  must_lie("microphone.clip_share", scene.microphone.clip_share, 0.0, 0.5);
  const std::array<int, 4> rates{48000, 44100, 22050, 16000};
  if (std::find(rates.begin(), rates.end(), scene.microphone.rate_hz) == rates.end()) {
    throw std::invalid_argument("microphone.rate_hz must be 48000, 44100, 22050 or 16000");
  }
}

Scene scene_from_json(const std::string& text) {
  nlohmann::json given;
  Scene scene;
  try {
    given = nlohmann::json::parse(text);
    scene = given.get<Scene>();
  } catch (const nlohmann::json::exception& e) {
    throw std::invalid_argument(std::string{"the scene does not parse: "} + e.what());
  }
  reject_unknown_keys(given, nlohmann::json(scene), "");
  check(scene);
  return scene;
}

std::string to_json(const Scene& scene) {
  return nlohmann::ordered_json(nlohmann::json(scene)).dump(2) + "\n";
}

}  // namespace pipebeat::synth
