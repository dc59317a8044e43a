// Speed: the cycle frequency of the engine through time, without being told.
//
// Every mistake a speed finder makes on engines is a wrong ratio: twice, half, three halves. So the
// search keeps several paths alive (each drawn to another part of the speed range), folds each into
// cycles, and only then decides, on what the folded cycles look like as a whole.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <vector>

#include "core/comb.hpp"
#include "core/fold.hpp"
#include "core/lines.hpp"
#include "core/signals.hpp"
#include "pipebeat/engine.hpp"

namespace pipebeat::core {

/// What tells a right speed from a wrong ratio; see `speed_features` for each.
inline constexpr std::size_t speed_feature_count = 23;
using SpeedFeatures = std::array<double, speed_feature_count>;

/// Speed of a moment whose cycles are too unlike their neighbours to be judged: the throttle is
/// opened, or the engine flares after starting.
struct FollowedSpeed {
  double time_s;
  double rpm;
};

/// One hypothesis about the speed of a recording.
struct SpeedCandidate {
  PhaseTrack phase;
  std::vector<bool> running;  ///< per whole cycle of `phase`: an engine is running and heard
  SpeedFeatures features{};
  double score = 0.0;         ///< log odds against the other candidates
  double probability = 0.0;   ///< over all candidates of the recording
  double mean_rpm = 0.0;      ///< over the running cycles
  std::vector<FollowedSpeed> followed;  ///< beside them, one every `phase.hop_s`; for the likeliest only
};

/// What was heard just before taught about the speed. Within 24 s of sound only `speed` counts.
struct KnownSpeed {
  Rpm speed;
  double probability = 0.0;   ///< of the ratio
  double score = 0.0;         ///< SpeedCandidate::score over the whole of it
  double running_share = 0.0;
  std::optional<Rpm> other;   ///< the next best ratio
};

/// All hypotheses worth keeping, most probable first. Empty when nothing periodic was found.
/// `guess`: those within 15 % come first, and nothing is given where none is. Of more than 24 s only the first is given for the whole;
/// phase, running and features of the others belong to the stretch on which they were compared.
/// `known`: where more than 24 s still fit it, as well as before, nothing else is weighed; less is only
/// searched within 15 % of it.
/// `sums`: of the signals.
std::vector<SpeedCandidate> find_speed(const Signals& signals, const RunningSums& sums, const Engine& engine,
                                       std::optional<Rpm> guess, const std::optional<KnownSpeed>& known = {},
                                       const std::optional<Remembered>& remembered = {});

/// Cycle lines that carry the beat of a layout: four per heard event, at least 12.
std::size_t beat_lines(const Engine& engine);

}  // namespace pipebeat::core
