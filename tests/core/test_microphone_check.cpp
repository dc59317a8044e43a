#include "core/microphone_check.hpp"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "render.hpp"

using namespace pipebeat;
using core::MicrophoneCheck;
using core::MicrophoneFault;

namespace {

constexpr double rate = 48000.0;

/// The bakery van at a healthy idle, heard by a good microphone in a quiet yard.
synth::Scene good_scene() {
  synth::Scene scene;
  scene.seed = 5;
  scene.duration_s = 6.0;
  scene.engine.seed = 41;
  scene.engine.idle_rpm = 790.0;
  scene.distance_m = 0.6;
  scene.background = {"traffic"};
  scene.snr_db = 25.0;
  return scene;
}

std::vector<float> sound_of(const synth::Scene& scene) {
  const synth::Recording recording = synth::render(scene);
  REQUIRE(recording.rate_hz == 48000);
  return {recording.samples.begin(), recording.samples.end()};
}

std::vector<MicrophoneFault> faults(const std::vector<float>& sound, std::size_t block = 480) {
  MicrophoneCheck check{Hertz{rate}};
  for (std::size_t i = 0; i < sound.size(); i += block) {
    check.push(std::span{sound}.subspan(i, std::min(block, sound.size() - i)));
  }
  std::vector<MicrophoneFault> out;
  for (const auto& remark : check.remarks()) out.push_back(remark.fault);
  return out;
}

using Faults = std::vector<MicrophoneFault>;

}  // namespace

TEST_CASE("A good microphone earns no remark, whatever the engine does") {
  for (const char* profile : {"idle", "hunting", "blip", "cruise"}) {
    CAPTURE(profile);
    synth::Scene scene = good_scene();
    scene.profile = profile;
    CHECK(faults(sound_of(scene)).empty());
  }
}

TEST_CASE("Nothing is said before two seconds, nor of nothing") {
  CHECK(faults({}).empty());
  CHECK(faults(std::vector<float>(48000, 0.0F)).empty());
}

TEST_CASE("A muted input is silent") {
  CHECK(faults(std::vector<float>(144000, 0.0F)) == Faults{MicrophoneFault::silent});
}

TEST_CASE("Too loud and too quiet") {
  synth::Scene scene = good_scene();
  scene.microphone.clip_share = 0.01;
  CHECK(faults(sound_of(scene)) == Faults{MicrophoneFault::clipping});
  scene = good_scene();
  scene.microphone.level_dbfs = -50.0;
  CHECK(faults(sound_of(scene)) == Faults{MicrophoneFault::too_quiet});
}

TEST_CASE("A low-cut is heard at any engine speed") {
  for (const char* profile : {"idle", "cruise"}) {
    CAPTURE(profile);
    synth::Scene scene = good_scene();
    scene.profile = profile;
    scene.microphone.highpass_hz = 180.0;
    scene.microphone.highpass_order = 2;
    CHECK(faults(sound_of(scene)) == Faults{MicrophoneFault::low_frequencies_missing});
  }
}

TEST_CASE("Gusts of wind") {
  synth::Scene scene = good_scene();
  scene.wind_db = 0.0;
  CHECK(faults(sound_of(scene)) == Faults{MicrophoneFault::wind});
}

TEST_CASE("Mains hum of both grids; an engine that turns at the same frequency is none") {
  for (const double base : {50.0, 60.0}) {
    CAPTURE(base);
    std::vector<float> sound = sound_of(good_scene());
    for (std::size_t i = 0; i < sound.size(); ++i) {
      const double phase = 2.0 * std::numbers::pi * base * static_cast<double>(i) / rate;
      sound[i] += static_cast<float>(0.04 * (std::sin(phase) + std::sin(2.0 * phase) + std::sin(3.0 * phase)));
    }
    CHECK(faults(sound) == Faults{MicrophoneFault::mains_hum});
  }
  synth::Scene scene = good_scene();
  scene.profile = "fast";
  scene.hold_rpm = 1500.0;  // a four fires 50 times a second
  CHECK(faults(sound_of(scene)).empty());
}

TEST_CASE("A gain control that pumps") {
  // Something loud now and then, and a gain that ducks under it and comes back within two seconds,
  // as voice processing does (attack 10 ms, release 1 s: common practice, no source).
  std::vector<float> sound = sound_of(good_scene());
  double level = 0.0;
  for (std::size_t i = 0; i < sound.size(); ++i) {
    const double x = static_cast<double>(sound[i]);
    const bool bang = i % 96000 < 2400;
    const double now = bang ? 2.0 : std::abs(x);
    level += (now > level ? 1.0 / 480.0 : 1.0 / 48000.0) * (now - level);
    sound[i] = static_cast<float>(0.1 * x / std::max(level, 0.05));
  }
  CHECK(faults(sound) == Faults{MicrophoneFault::gain_pumping});
}

TEST_CASE("The remarks do not depend on how the sound was cut") {
  synth::Scene scene = good_scene();
  scene.wind_db = 0.0;
  const std::vector<float> sound = sound_of(scene);
  const Faults expected = faults(sound, 480);
  for (const std::size_t block : {std::size_t{1}, std::size_t{7}, std::size_t{4096}, sound.size()}) {
    CHECK(faults(sound, block) == expected);
  }
}
