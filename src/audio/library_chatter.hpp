// Libraries that talk to the user behind our back.
#pragma once

namespace pipebeat::audio {

/// Keeps off standard error what libmpg123, which libsndfile reads MP3 with, prints about damaged
/// files: it can't be told to be quiet through libsndfile, and we say in one line of our own what is
/// wrong. Everything else written to `stderr` passes. To be called once, before any thread starts.
void silence_libraries();

}  // namespace pipebeat::audio
