#include "audio/library_chatter.hpp"

#include <unistd.h>

#include <cerrno>
#include <cstdio>

namespace pipebeat::audio {

namespace {

thread_local int in_a_library = 0;

ssize_t write_what_is_ours(void*, const char* text, std::size_t size) {
  if (in_a_library > 0) return static_cast<ssize_t>(size);
  std::size_t done = 0;
  while (done < size) {
    const ssize_t put = ::write(STDERR_FILENO, text + done, size - done);
    if (put < 0 && errno == EINTR) continue;
    if (put <= 0) return 0;
    done += static_cast<std::size_t>(put);
  }
  return static_cast<ssize_t>(size);
}

}  // namespace

LibraryCall::LibraryCall() { ++in_a_library; }
LibraryCall::~LibraryCall() { --in_a_library; }

void silence_libraries() {
  // A stream of the C library's that hands every message, still whole, to the function above.
  std::FILE* const stream =
      ::fopencookie(nullptr, "w", {nullptr, write_what_is_ours, nullptr, nullptr});
  if (stream == nullptr) return;
  std::setvbuf(stream, nullptr, _IONBF, 0);
  stderr = stream;
}

}  // namespace pipebeat::audio
