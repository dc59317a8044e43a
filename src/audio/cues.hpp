// Cue points of a recording.
#pragma once

#include <string>
#include <vector>

#include "pipebeat/result.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat::audio {

struct CuePoint {
  Seconds at;
  std::string name;  ///< empty where the file gives none
};

/// The cue points of a WAV or AIFF file by rising time; empty for formats without any.
/// Errors: not_found or unreadable when libsndfile cannot open it.
Result<std::vector<CuePoint>> cue_points(const std::string& path);

}  // namespace pipebeat::audio
