// A pipe that libsndfile can read like a file: it remembers enough to let a header parser look
// around, and forgets the rest.
#pragma once

#include <sndfile.h>

#include <cstdint>
#include <vector>

#include "audio/descriptor.hpp"

namespace pipebeat::audio {

/// Seeks are lazy: only a read moves the pipe. While the header is parsed nothing is forgotten, and
/// what lies beyond the head (without one, far beyond what has arrived) is "the end of the file",
/// so that a parser that peeks behind the sound data comes back. Afterwards reading goes forward
/// only.
class PipeStream {
 public:
  /// `head`: bytes already taken from the pipe; what a CAF file had better not claim is hidden in
  /// it.
  PipeStream(Descriptor pipe, std::vector<char> head);

  /// Callbacks for sf_open_virtual; the user data is the PipeStream.
  [[nodiscard]] static SF_VIRTUAL_IO* callbacks();

  /// The header is parsed: from here on bytes already read are forgotten.
  void forget_from_now_on() { forgetting_ = true; }

 private:
  sf_count_t seek(sf_count_t offset, int whence);
  sf_count_t read(char* to, sf_count_t count);
  void fetch(std::int64_t until);

  Descriptor pipe_;
  std::int64_t look_ahead_;   ///< how far beyond what has arrived a header parser may see
  std::vector<char> window_;  ///< bytes [base_, base_ + window_.size()) of the stream
  std::int64_t base_ = 0;
  std::int64_t position_ = 0;  ///< of the next read, anywhere
  bool ended_ = false;
  bool forgetting_ = false;
};

/// Reads on after `bytes` until there are `limit` of them or the pipe ends, whichever is first.
/// Returns all of them; `ended` tells which.
std::vector<char> read_up_to(int fd, std::vector<char> bytes, std::size_t limit, bool& ended);

}  // namespace pipebeat::audio
