// Scene in, recording and truth out.
#pragma once

#include <string>
#include <vector>

#include "crank.hpp"
#include "filters.hpp"
#include "scene.hpp"

namespace pipebeat::synth {

struct Recording {
  Signal samples;  ///< -1..1, already rounded to 16 bits
  int rate_hz = 0;
  CrankRun run;  ///< no events when the scene has no engine
};

/// Deterministic: equal scenes give equal samples. Throws std::invalid_argument for a scene that
/// makes no sense, std::runtime_error when a lossy coder is asked for and ffmpeg fails.
Recording render(const Scene& scene);

/// The truth as one line of JSON, in the fields of a labels.jsonl; `file` names the recording.
std::string label(const Scene& scene, const Recording& recording, const std::string& file);

/// WAV or FLAC by the path's ending, 16 bits, one channel. Throws std::runtime_error.
void write_audio(const std::string& path, const Recording& recording);

// Parts, for tests and for each other.

/// Sound pressure at the microphone's place from the engine alone.
Signal engine_sound(const Scene& scene, const Engine& layout, const CrankRun& run, double rate_hz);
/// What the probe on an injector picks up.
Signal contact_sound(const Scene& scene, const Engine& layout, const CrankRun& run, double rate_hz);
/// One background sound of that name (also the not-an-engine ones), deviation 1.
Signal background_sound(const std::string& kind, std::uint64_t seed, std::size_t frames,
                        double rate_hz);
/// The microphone chain up to, not including, the lossy coder: changes rate.
Signal through_microphone(Signal pressure, const Microphone& mic, double rate_hz,
                          std::uint64_t seed);
/// Encode and decode with ffmpeg; same length and rate back.
Signal through_codec(const Signal& x, int rate_hz, const std::string& codec, int kbps);
/// The rate the scene is computed at: a multiple of the microphone's, 44.1 kHz or more.
int inner_rate(const Microphone& mic);

}  // namespace pipebeat::synth
