// Libraries that talk to the user behind our back.
#pragma once

namespace pipebeat::audio {

/// While one lives, what this thread writes to `stderr` is dropped, once `silence_libraries` was
/// called. libmpg123, which libsndfile reads MP3 with, prints what it thinks of damaged files and
/// can't be told to be quiet through libsndfile; we say in one line of our own what is wrong.
class LibraryCall {
 public:
  LibraryCall();
  LibraryCall(const LibraryCall&) = delete;
  LibraryCall& operator=(const LibraryCall&) = delete;
  ~LibraryCall();
};

/// Puts `stderr` under the rule of LibraryCall. To be called once, before any thread starts.
void silence_libraries();

}  // namespace pipebeat::audio
