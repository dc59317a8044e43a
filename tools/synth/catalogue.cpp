#include "catalogue.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <numeric>
#include <string_view>

#include "crank.hpp"
#include "random.hpp"

namespace pipebeat::synth {

namespace {

using Words = std::vector<std::string>;

Microphone microphone(const std::string& name) {
  Microphone m;
  m.name = name;
  if (name == "cam44") m.rate_hz = 44100, m.highpass_hz = 60, m.bandlimit_hz = 12000;
  if (name == "phone80")
    m.rate_hz = 44100, m.highpass_hz = 80, m.highpass_order = 2, m.bandlimit_hz = 12000;
  if (name == "phone_agc")
    m.highpass_hz = 120, m.highpass_order = 2, m.agc = 0.7, m.soft_clip = 0.3;
  if (name == "phone200") m.highpass_hz = 200, m.highpass_order = 2, m.agc = 0.4;
  if (name == "laptop16")
    m.rate_hz = 16000, m.highpass_hz = 120, m.highpass_order = 2, m.bandlimit_hz = 7000,
    m.gate_db = 8;
  return m;
}

/// Deals a shuffled deck over and over: balanced, yet in random order.
class Deck {
 public:
  Deck(Words cards, std::uint64_t seed, std::uint64_t stream)
      : cards_{std::move(cards)}, random_{seed, stream} {}
  std::string next() {
    if (at_ == 0) {
      for (std::size_t i = cards_.size() - 1; i > 0; --i) {
        std::swap(cards_[i],
                  cards_[static_cast<std::size_t>(random_.integer(0, static_cast<int>(i)))]);
      }
    }
    std::string card = cards_[at_];
    at_ = (at_ + 1) % cards_.size();
    return card;
  }

 private:
  Words cards_;
  Random random_;
  std::size_t at_ = 0;
};

Words repeated(std::initializer_list<std::pair<const char*, int>> counts) {
  Words words;
  for (const auto& [word, count] : counts)
    words.insert(words.end(), static_cast<std::size_t>(count), word);
  return words;
}

EngineUnderTest random_engine(const std::string& id, const std::string& layout, Random& random) {
  EngineUnderTest e;
  e.id = id;
  e.seed = random.bits() >> 1U;
  e.layout = layout;
  e.pipes = "waves";
  e.headers = random.chance(0.55) ? "tubular" : random.chance(0.8) ? "log" : "long";
  e.muffler = random.chance(0.15) ? 0 : random.chance(0.6) ? 1 : 2;
  e.catalyst = random.chance(0.75);
  e.outlets = layout == "v8-bank" ? 2 : 1;
  e.idle_rpm = std::round(idle_speed(e));
  return e;
}

void random_place(Scene& s, Random& random, bool lossy) {
  static constexpr std::array<double, 10> ratios{0, 3, 6, 6, 10, 10, 15, 20, 25, 35};
  static constexpr std::array<std::string_view, 9> sounds{
      "pink", "hum", "traffic", "speech", "music", "rain", "fan", "bursts", "engine"};
  s.snr_db = random.pick(std::span<const double>{ratios});
  const int count = random.integer(1, 3);
  while (static_cast<int>(s.background.size()) < count) {
    const std::string sound{random.pick(std::span<const std::string_view>{sounds})};
    if (std::find(s.background.begin(), s.background.end(), sound) == s.background.end())
      s.background.push_back(sound);
  }
  s.distance_m = random.log_uniform(0.3, s.view == "tailpipe" ? 2.5 : 4.5);
  if (random.chance(0.2)) s.wind_db = random.uniform(-5.0, 11.0);
  Microphone& m = s.microphone;
  m.level_dbfs = random.chance(0.04) ? random.uniform(4.0, 9.0) : random.uniform(-14.0, 1.5);
  if (random.chance(0.03)) m.clip_share = random.log_uniform(0.01, 0.1);
  if (random.chance(0.06)) m.square_law = random.uniform(0.1, 0.6);
  if (random.chance(0.2)) m.reverb = random.uniform(0.1, 0.5);
  if (m.name == "laptop16" && random.chance(0.5)) m.gate_db = 0.0;
  if (m.agc > 0.0) m.agc = random.uniform(0.3, 0.9);
  if (lossy && random.chance(0.3)) {
    static constexpr std::array<std::string_view, 5> codecs{"opus", "opus", "aac", "aac", "mp3"};
    static constexpr std::array<int, 4> rates{24, 32, 48, 64};
    m.codec = random.pick(std::span<const std::string_view>{codecs});
    m.kbps = random.pick(std::span<const int>{rates});
  }
}

/// A condition this layout can have: one cylinder cannot be dead and run, two cannot lose two.
std::string possible(const std::string& condition, const EngineUnderTest& engine) {
  const std::size_t heard = engine_of(engine).positions().size();
  if (heard == 1 &&
      (condition.starts_with("dead") || condition == "lumpy_dead" || condition == "half_off" ||
       condition == "inter" || condition == "weak" || condition == "lowcomp")) {
    return "scatter";
  }
  if (heard < 4 && (condition == "dead2adj" || condition == "dead2opp" || condition == "half_off"))
    return "dead";
  return condition;
}

/// What scenes are dealt from: in so many of them everything comes as often as it says here.
struct Decks {
  explicit Decks(std::uint64_t seed);
  Deck layouts, conditions, profiles, microphones, views, lengths, others;
};

Decks::Decks(std::uint64_t seed)
    : layouts{repeated({{"inline4", 4},
                        {"inline3", 1},
                        {"inline5", 1},
                        {"inline6", 2},
                        {"v6", 2},
                        {"v6-oddfire", 2},
                        {"v8", 2},
                        {"v8-bank", 2},
                        {"v8-flat", 1},
                        {"flat4", 2},
                        {"flat6", 1},
                        {"twin360", 2},
                        {"twin270", 1},
                        {"vtwin45", 1},
                        {"single", 1},
                        {"v10", 1},
                        {"v12", 1},
                        {"diesel4", 1},
                        {"twostroke-single", 1},
                        {"twostroke-twin", 1}}),
              seed, 70},
      conditions{repeated({{"healthy", 36},
                           {"inter", 21},
                           {"scatter", 14},
                           {"dead", 16},
                           {"dead2adj", 5},
                           {"dead2opp", 5},
                           {"half_off", 2},
                           {"weak", 6},
                           {"lowcomp", 5},
                           {"lumpy", 8},
                           {"lumpy_dead", 4}}),
                 seed, 71},
      profiles{repeated({{"idle", 42},
                         {"fast", 11},
                         {"prerun", 10},
                         {"stop", 8},
                         {"hunting", 8},
                         {"load", 7},
                         {"restart", 6},
                         {"blip", 5},
                         {"cruise", 5},
                         {"sweep", 4},
                         {"updown", 3}}),
               seed, 72},
      microphones{repeated({{"wide48", 5},
                            {"cam44", 5},
                            {"laptop16", 5},
                            {"phone_agc", 5},
                            {"phone80", 3},
                            {"phone200", 1}}),
                  seed, 73},
      views{repeated({{"tailpipe", 13}, {"bonnet", 4}, {"beside", 3}}), seed, 74},
      lengths{repeated({{"6", 1}, {"8", 3}, {"10", 3}, {"12", 3}, {"16", 2}, {"20", 1}}), seed, 75},
      others{Words(sounds_without_engine.begin(), sounds_without_engine.end()), seed, 76} {}

/// Another sound in an engine's place.
void without_engine(Scene& s, Decks& decks, Random& random, bool lossy) {
  s.instead = decks.others.next();
  s.view = "tailpipe";
  random_place(s, random, lossy);
  s.wind_db = -100.0;
  s.background = {random.chance(0.5) ? "pink" : "traffic"};
  s.snr_db = std::max(5.0, s.snr_db);
  static constexpr std::array<std::string_view, 4> said{"inline4", "v6", "v8", "inline4"};
  s.engine.layout = random.pick(std::span<const std::string_view>{said});
  if (random.chance(0.5)) s.rpm_guess = random.uniform(650.0, 900.0);
}

/// What an engine does, where it is heard from and what its owner guesses of its speed.
void with_engine(Scene& s, const EngineUnderTest& engine, Decks& decks, Random& random,
                 bool lossy) {
  s.engine = engine;
  s.trouble.condition = possible(decks.conditions.next(), engine);
  s.profile = decks.profiles.next();
  if (s.profile == "stop" || s.profile == "restart" || s.profile == "prerun")
    s.duration_s = std::max(s.duration_s, 10.0);
  s.view = decks.views.next();
  if (s.trouble.condition == "inter") {
    static constexpr std::array<double, 8> p{0.05, 0.1, 0.2, 0.3, 0.5, 0.5, 0.65, 0.8};
    s.trouble.p = random.pick(std::span<const double>{p});
    if (random.chance(0.5)) s.trouble.bursty = random.chance(0.5) ? 0.3 : 0.5;
  }
  if (s.trouble.condition == "scatter") {
    static constexpr std::array<double, 8> p{0.01, 0.02, 0.02, 0.03, 0.05, 0.1, 0.15, 0.2};
    s.trouble.p = random.pick(std::span<const double>{p});
  }
  if (random.chance(0.08)) s.trouble.afterfire = 0.25;
  if (random.chance(0.06)) s.engine.header_step_m = random.uniform(0.3, 0.7), s.engine.id += "h";
  random_place(s, random, lossy);
  if (random.chance(0.55)) {
    const double usual = s.profile == "fast"     ? 1550.0
                         : s.profile == "cruise" ? 2700.0
                                                 : engine.idle_rpm;
    s.rpm_guess = usual * random.uniform(0.93, 1.07);
  }
}

}  // namespace

std::vector<Scene> random_scenes(int count, std::uint64_t seed, bool lossy, bool no_engine) {
  Decks decks{seed};
  std::vector<Scene> scenes;
  EngineUnderTest engine;
  int engines = 0, left_of_engine = 0;
  for (int i = 0; i < count; ++i) {
    Random random{seed, 1000U + static_cast<std::uint64_t>(i)};
    Scene s;
    s.name = "random-" + std::to_string(seed) + "-" + std::to_string(i);
    s.seed = random.bits() >> 1U;
    s.microphone = microphone(decks.microphones.next());
    s.duration_s = std::stod(decks.lengths.next());
    if (no_engine || i % 11 == 10) {
      without_engine(s, decks, random, lossy);
    } else {
      if (left_of_engine == 0) {
        engine = random_engine("engine-" + std::to_string(seed) + "-" + std::to_string(engines++),
                               decks.layouts.next(), random);
        left_of_engine = 4;
      }
      --left_of_engine;
      with_engine(s, engine, decks, random, lossy);
    }
    scenes.push_back(s);
  }
  return scenes;
}

std::vector<NamedScene> named_scenes() {
  std::vector<NamedScene> list;
  const auto add = [&](const std::string& name, const std::string& description,
                       const std::function<void(Scene&)>& change) {
    Scene s;
    s.name = name;
    s.seed = 100 + list.size();
    s.duration_s = 12.0;
    s.engine.id = "catalogue-" + std::to_string(list.size());
    s.engine.seed = 500 + list.size();
    s.background = {"pink", "traffic"};
    s.snr_db = 25.0;
    change(s);
    list.push_back({name, description, s});
  };
  const auto layout = [](const char* name) { return [name](Scene& s) { s.engine.layout = name; }; };
  const auto with = [](const char* engine, const char* condition) {
    return [engine, condition](Scene& s) {
      s.engine.layout = engine;
      s.trouble.condition = condition;
    };
  };
  add("healthy-four", "inline four, even idle", layout("inline4"));
  add("dead-four", "inline four, one cylinder dead", with("inline4", "dead"));
  add("two-dead-opposite", "inline four, the two cylinders half a cycle apart dead",
      with("inline4", "dead2opp"));
  add("two-dead-adjacent", "inline four, two cylinders that follow each other dead",
      with("inline4", "dead2adj"));
  add("intermittent-four", "inline four, one cylinder misses every third time", [](Scene& s) {
    s.trouble.condition = "inter";
    s.trouble.p = 0.33;
  });
  add("intermittent-bursts", "inline four, one cylinder misses in bursts", [](Scene& s) {
    s.trouble.condition = "inter";
    s.trouble.p = 0.3;
    s.trouble.bursty = 0.8;
  });
  add("random-misses", "inline four, 8 % misses spread over all cylinders", [](Scene& s) {
    s.trouble.condition = "scatter";
    s.trouble.p = 0.08;
  });
  add("random-misses-rare", "inline six, 2 % misses spread over all cylinders", [](Scene& s) {
    s.engine.layout = "inline6";
    s.trouble.condition = "scatter";
    s.trouble.p = 0.02;
  });
  add("v8-bank-healthy", "one bank of a cross-plane V8, healthy",
      [](Scene& s) { s.engine.layout = "v8-bank", s.engine.outlets = 2; });
  add("v8-bank-dead", "one bank of a cross-plane V8, one cylinder dead", [](Scene& s) {
    s.engine.layout = "v8-bank", s.engine.outlets = 2;
    s.trouble.condition = "dead";
  });
  add("odd-fire-healthy", "odd-fire V6, healthy", layout("v6-oddfire"));
  add("odd-fire-dead", "odd-fire V6, one cylinder dead", with("v6-oddfire", "dead"));
  add("v-twin-healthy", "45-degree V-twin, healthy", layout("vtwin45"));
  add("v-twin-dead", "45-degree V-twin, one cylinder dead", with("vtwin45", "dead"));
  add("twin-270", "270-degree twin, healthy", layout("twin270"));
  add("twin-270-dead", "270-degree twin, one cylinder dead", with("twin270", "dead"));
  add("longer-header", "healthy inline four, one runner half a metre longer",
      [](Scene& s) { s.engine.header_step_m = 0.5; });
  const auto heard_by = [](const std::function<void(Microphone&)>& change) {
    return [change](Scene& s) {
      s.trouble.condition = "dead";
      change(s.microphone);
    };
  };
  add("phone-200", "dead cylinder through a phone that cuts below 200 Hz",
      heard_by([](Microphone& m) { m = microphone("phone200"); }));
  add("pumping", "dead cylinder through gain control that pumps with the beat",
      heard_by([](Microphone& m) { m.agc = 1.0, m.highpass_hz = 120, m.highpass_order = 2; }));
  add("spectral-gate", "dead cylinder through noise suppression",
      heard_by([](Microphone& m) { m = microphone("laptop16"), m.gate_db = 15; }));
  add("band-8k", "dead cylinder, nothing above 3.8 kHz nor below 120 Hz",
      heard_by(
          [](Microphone& m) { m.rate_hz = 16000, m.bandlimit_hz = 3800, m.highpass_hz = 120; }));
  add("mp3", "dead cylinder, MP3 at 32 kbit/s", heard_by([](Microphone& m) { m.codec = "mp3"; }));
  add("aac", "dead cylinder, AAC at 24 kbit/s",
      heard_by([](Microphone& m) { m.codec = "aac", m.kbps = 24; }));
  add("opus", "dead cylinder, Opus at 24 kbit/s",
      heard_by([](Microphone& m) { m.codec = "opus", m.kbps = 24; }));
  add("clipping", "dead cylinder, a tenth of the samples clipped",
      heard_by([](Microphone& m) { m.clip_share = 0.1; }));
  add("overload", "dead cylinder, overload that demodulates", heard_by([](Microphone& m) {
        m.square_law = 0.6, m.highpass_hz = 80, m.highpass_order = 2;
      }));
  add("four-seconds", "dead cylinder, four seconds only", [](Scene& s) {
    s.trouble.condition = "dead";
    s.duration_s = 4.0;
  });
  add("bonnet-ticks", "healthy inline four under the bonnet, one loud tick per cycle",
      [](Scene& s) { s.view = "bonnet"; });
  add("bonnet-dead", "dead cylinder under the bonnet", [](Scene& s) {
    s.view = "bonnet";
    s.trouble.condition = "dead";
  });
  for (const auto& [name, sound] :
       std::initializer_list<std::pair<const char*, const char*>>{{"talk", "speech"},
                                                                  {"traffic", "traffic"},
                                                                  {"second-engine", "engine"},
                                                                  {"fan-beside", "fan"}}) {
    add(name, std::string{"dead cylinder behind "} + sound + ", 6 dB", [sound = sound](Scene& s) {
      s.trouble.condition = "dead";
      s.background = {sound};
      s.snr_db = 6.0;
    });
  }
  add("windy", "dead cylinder in gusts", [](Scene& s) {
    s.trouble.condition = "dead";
    s.wind_db = 6.0;
  });
  add("rough-cam", "V8 with a rough cam, no miss", [](Scene& s) {
    s.engine.layout = "v8", s.trouble.condition = "lumpy", s.profile = "hunting";
  });
  add("rough-cam-dead", "V8 with a rough cam and a dead cylinder", [](Scene& s) {
    s.engine.layout = "v8", s.trouble.condition = "lumpy_dead", s.profile = "hunting";
  });
  add("weak-40", "inline four, one cylinder at 40 % of its work",
      [](Scene& s) { s.trouble.condition = "weak", s.trouble.p = 0.4; });
  add("weak-70", "inline four, one cylinder at 70 % of its work",
      [](Scene& s) { s.trouble.condition = "weak", s.trouble.p = 0.7; });
  add("low-compression", "inline four, one cylinder leaks",
      [](Scene& s) { s.trouble.condition = "lowcomp", s.trouble.p = 0.55; });
  add("diesel", "diesel four, healthy", layout("diesel4"));
  add("diesel-dead", "diesel four, one cylinder dead", with("diesel4", "dead"));
  add("two-stroke", "two-stroke twin, healthy", layout("twostroke-twin"));
  add("two-stroke-misses", "two-stroke single that misses at random", [](Scene& s) {
    s.engine.layout = "twostroke-single";
    s.trouble.condition = "scatter";
    s.trouble.p = 0.1;
  });
  add("single", "four-stroke single, healthy", layout("single"));
  add("ten", "V10, healthy", layout("v10"));
  add("ten-dead", "V10, one cylinder dead", with("v10", "dead"));
  add("twelve", "V12, healthy", layout("v12"));
  add("twelve-dead", "V12, one cylinder dead", with("v12", "dead"));
  add("half-off", "V8 with every second cylinder switched off", with("v8", "half_off"));
  add("sweep-low-miss", "inline four sweeping up, misses only below 900 rpm", [](Scene& s) {
    s.engine.idle_rpm = 700;
    s.profile = "sweep";
    s.trouble.condition = "inter";
    s.trouble.p = 0.5;
    s.trouble.below_rpm = 900;
  });
  add("unplug-each", "inline four, one cylinder dead, the leads pulled one after the other",
      [](Scene& s) {
        s.trouble.condition = "dead";
        s.duration_s = 48.0;
        for (int c = 1; c <= 4; ++c) {
          s.unplugged.push_back({10.0 * c - 4.0, c});
          s.unplugged.push_back({10.0 * c + 1.0, 0});
        }
      });
  add("unplug-once", "inline four, one cylinder dead, cylinder 1 unplugged halfway", [](Scene& s) {
    s.trouble.condition = "dead";
    s.trouble.cylinders = {3};
    s.duration_s = 20.0;
    s.unplugged = {{10.0, 1}};
  });
  for (const char* profile :
       {"fast", "cruise", "hunting", "load", "blip", "stop", "restart", "prerun"}) {
    add(std::string{"dead-"} + profile,
        std::string{"inline four, one cylinder dead, speed: "} + profile, [profile](Scene& s) {
          s.trouble.condition = "dead";
          s.profile = profile;
        });
  }
  for (const std::string_view sound : sounds_without_engine) {
    add("no-engine-" + std::string{sound}, "no engine: " + std::string{sound},
        [sound](Scene& s) { s.instead = sound; });
  }
  for (const auto& [name, work] : std::initializer_list<std::pair<const char*, double>>{
           {"weak-pulse-40", 0.7}, {"weak-pulse-55", 0.75}}) {
    add(name, "inline four, one cylinder's pulse at some " + std::string{name}.substr(11) + " %",
        [work = work](Scene& s) { s.trouble.condition = "weak", s.trouble.p = work; });
  }
  // The engine of two-dead-opposite.
  add("only-rpm-settles",
      "inline four at 1500 rpm, two opposite cylinders dead: sounds like an even one at 750",
      [&](Scene& s) {
        const auto same = std::find_if(list.begin(), list.end(), [](const NamedScene& n) {
          return n.name == "two-dead-opposite";
        });
        s.seed = same->scene.seed;
        s.engine = same->scene.engine;
        s.trouble = same->scene.trouble;
        s.hold_rpm = 1500.0;
      });
  return list;
}

}  // namespace pipebeat::synth
