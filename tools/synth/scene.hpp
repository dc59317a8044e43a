// What a made-up recording is made of: an engine, its trouble, its driver, a microphone, a place.
// Everything a scene leaves open is drawn from its seeds, so a scene always sounds the same.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "pipebeat/engine.hpp"

namespace pipebeat::synth {

/// What a microphone may hear instead of an engine; half of it beats like one.
inline constexpr std::array<std::string_view, 29> sounds_without_engine{
    "pink",   "silence", "hum",      "music",     "rain",  "speech", "emotor",       "knock",
    "hammer", "fan",     "wind",     "footsteps", "clock", "sewing", "hammer-drill", "washing",
    "saw",    "waves",   "breath",   "snore",     "train", "barks",  "birds",        "crickets",
    "frogs",  "siren",   "applause", "crackle",   "typing"};

/// The engine itself. Scenes with equal values hear the same engine: pipe lengths, mufflers,
/// cylinder differences and valve ticks come from `seed`.
struct EngineUnderTest {
  std::string id = "engine";  ///< scenes that share it share the engine
  std::uint64_t seed = 1;
  std::string layout = "inline4";  ///< a name of pipebeat's built-in layouts
  std::string headers =
      "log";                   ///< log (short, nearly equal), tubular (unequal), long (equal, long)
  std::string pipes = "simple";  ///< simple: plain reflections; waves: gas in cylinders and pipes
  double header_step_m = 0.0;  ///< extra length of one cylinder's runner
  int muffler = 1;             ///< 0 open pipe, 1, 2
  bool catalyst = true;
  int outlets = 1;        ///< with 2, one bank's pipe is nearer than the other
  double idle_rpm = 0.0;  ///< 0: drawn from the layout's usual range
  double sag = 0.0;       ///< share of speed one lost power stroke costs at idle; 0: drawn
};

/// What is wrong with it.
struct Trouble {
  /// healthy, dead, dead2adj, dead2opp, half_off, inter, scatter, weak, lowcomp, lumpy, lumpy_dead
  std::string condition = "healthy";
  std::vector<int> cylinders;  ///< the bad ones; left empty they are drawn
  double p = 0.0;          ///< inter, scatter: chance of a miss; weak, lowcomp: share of heat left
  double bursty = 0.0;     ///< 0 independent misses .. 0.9 long bursts, at the same mean rate
  double afterfire = 0.0;  ///< chance that an unburnt charge bangs in the pipe
  double below_rpm = 0.0;  ///< > 0: misses only below this speed
  double scatter_cov = 0.0;  ///< cycle-to-cycle scatter of work; 0: drawn for the condition
};

/// During the recording somebody pulls a plug lead, or puts it back.
struct Unplugging {
  double at_s = 0.0;
  int cylinder = 0;  ///< the one that is off from now on; 0: all are on again
};

/// A stethoscope or contact microphone pressed on one injector.
struct Contact {
  int cylinder = 0;         ///< whose injector; 0: the microphone hears the exhaust instead
  std::vector<int> silent;  ///< injectors that do not click
  std::vector<int> weak;    ///< that click at 0.3 of the usual strength
  double missed = 0.0;      ///< chance that the one under the probe skips a click
  bool batch = false;       ///< fired once a revolution, all together
};

struct Microphone {
  std::string name = "wide48";
  int rate_hz = 48000;  ///< 48000, 44100, 22050 or 16000
  double highpass_hz = 20.0;
  int highpass_order = 1;     ///< 1 or 2
  double bandlimit_hz = 0.0;  ///< 0: none
  double square_law = 0.0;    ///< overload that demodulates: share of x^2 at full level
  double gate_db = 0.0;       ///< spectral gating: how far quiet bins are pushed down
  double agc = 0.0;           ///< 0 none .. 1 full levelling, quick enough to pump with the beat
  double soft_clip = 0.0;     ///< 0 none .. 1 strong
  double level_dbfs = -6.0;   ///< loudest 0.1 % of samples; above 0 the rest is clipped
  double fixed_gain = 0.0;    ///< > 0: this instead, so that recordings made alike compare
  double clip_share = 0.0;    ///< > 0: level is set so that this share of samples clips
  double reverb = 0.0;        ///< 0..1
  std::string codec;          ///< empty, mp3, aac or opus
  int kbps = 32;
};

struct Scene {
  std::string name = "scene";
  std::uint64_t seed = 1;
  double duration_s = 10.0;
  EngineUnderTest engine;
  Trouble trouble;
  /// idle, fast, cruise, hunting, load, blip, sweep, updown, stop, restart, prerun
  std::string profile = "idle";
  double hold_rpm = 0.0;              ///< speed to hold in fast and cruise; 0: drawn
  std::vector<Unplugging> unplugged;  ///< by rising time
  Contact contact;
  std::string view = "tailpipe";  ///< tailpipe, beside, bonnet
  double distance_m = 1.0;
  /// pink, hum, traffic, speech, music, rain, fan, bursts, engine
  std::vector<std::string> background;
  double snr_db = 35.0;     ///< engine over background, both after the microphone's high-pass
  double wind_db = -100.0;  ///< wind over the engine, after the high-pass
  Microphone microphone;
  /// Not empty: no engine at all but one of `sounds_without_engine`.
  std::string instead;
  double rpm_guess = 0.0;  ///< what the user would say; 0: nothing
};

/// The layout of a scene's engine. Throws std::invalid_argument for an unknown name.
Engine engine_of(const EngineUnderTest& engine);

/// Errors of both: std::invalid_argument naming the key that is unknown or out of range.
Scene scene_from_json(const std::string& text);
void check(const Scene& scene);
std::string to_json(const Scene& scene);

}  // namespace pipebeat::synth
