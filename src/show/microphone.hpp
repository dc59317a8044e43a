// What is wrong with the microphone, in words: what is heard, and what to change.
#pragma once

#include <string>

#include "core/microphone_check.hpp"

namespace pipebeat::show {

/// One line: "too loud, 2.1 % of the sound is cut off: move back to an arm's length, ...".
[[nodiscard]] std::string advice(const core::MicrophoneRemark& remark);

}  // namespace pipebeat::show
