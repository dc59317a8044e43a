// Unpluggings on the command line: marks in a continuous take, cylinders with their recordings.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "pipebeat/droptest.hpp"
#include "pipebeat/engine.hpp"
#include "pipebeat/result.hpp"

namespace pipebeat::cli {

/// "10:1,20:on,30:3": from 10 s on cylinder 1 is off, at 20 s all are on again, ... Times may be
/// minutes and seconds, "1:10.5:3".
/// Errors: bad_argument for what does not parse, times that don't rise, a cylinder the engine lacks.
Result<std::vector<Mark>> parse_marks(const std::string& text, const Engine& engine);

/// The marks that the recording itself carries: cue points, or the lines of the file NAME.marks that a take
/// leaves when it was cut short. They are named by the cylinder ("1", "off 1", "unplugged 1 now") or "on",
/// "back on", ...; "still off 1" takes the "on" before it back, "mark" is passed over.
/// Errors: those of audio::cue_points, bad_argument when there are none or a name says neither.
Result<std::vector<Mark>> marks_of_cues(const std::string& path, const Engine& engine);

/// "3=off3.wav": a cylinder and its recording.
/// Errors: bad_argument for what does not parse or a cylinder the engine lacks.
Result<std::pair<int, std::string>> parse_off_file(const std::string& text, const Engine& engine,
                                                   const std::string& option);

/// "3@10.5": a cylinder unplugged from a time on. Errors: as above.
Result<Mark> parse_off_at(const std::string& text, const Engine& engine);

}  // namespace pipebeat::cli
