// The recording with a tick at chosen moments: so that ears can check what the program claims.
#pragma once

#include <span>
#include <string>

#include "pipebeat/result.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat::audio {

/// A tick and a cue point.
struct Mark {
  Seconds time;
  int position = 0;  ///< 1-based firing position, in the cue point's label ("position 3")
};

/// Writes a two-channel 16-bit WAV: channel 1 is `channel` (1-based) of the recording, channel 2
/// has a short 2 kHz tick at every mark; a cue point with a label stands at each mark as well.
///
/// Streams: memory is bounded by the marks, not by the length of the recording. `marks` rise in
/// time; those past the end are left out. The target appears whole or not at all.
/// Errors: those of AudioReader::open and NewFile::create; bad_argument for a channel that is not there, a recording
/// through a pipe (it can't be read a second time), a target that is the recording itself, and a
/// copy past the 4 GiB that a WAV can count; write_failed.
Result<void> write_marked_copy(const std::string& recording, int channel,
                               std::span<const Mark> marks, const std::string& target);

}  // namespace pipebeat::audio
