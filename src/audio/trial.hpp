// Headers that a library may never come back from are tried in a process of their own.
#pragma once

#include <sndfile.h>

#include <functional>

namespace pipebeat::audio {

/// Opens a recording in a child process that may use a second of processor time and 40 MiB more than
/// this one, whose memory is untouched. libsndfile 1.2.0 goes round in circles over some damaged
/// headers, in part without reading anything on the way that could be refused.
/// False when the child did not come back. True at once under a sanitizer, which does not survive a
/// fork beside other threads.
[[nodiscard]] bool comes_back(const std::function<SNDFILE*()>& open);

}  // namespace pipebeat::audio
