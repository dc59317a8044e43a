// Recordings in: any file, pipe or standard input, as interleaved floats, block by block.
#pragma once

#include <memory>
#include <optional>
#include <span>
#include <string>

#include "pipebeat/result.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat::audio {

/// Reads one recording from start to end.
///
/// WAV, AIFF, AU, CAF, FLAC, Ogg Vorbis, Opus and MP3 by libsndfile; M4A, MP4, 3GP, AAC, AMR, WebM
/// and WMA by the `ffmpeg` program, when there is one. What a file is, its first bytes say, not its
/// name. Memory is bounded: at most 40 MiB of a pipe are held to let compressed formats look ahead.
///
/// Threads: one at a time.
class AudioReader {
 public:
  /// Opens a recording; "-" is standard input. FIFOs are read to their end; one that
  /// nobody writes into is given up after 1.5 s.
  /// Errors: not_found, no_permission, unreadable (a directory, empty, no sound in it, damaged),
  /// unsupported (a format that needs ffmpeg while there is none, or that nobody here knows).
  /// `what` starts with the name as given, "standard input" for "-".
  static Result<AudioReader> open(const std::string& path);

  AudioReader(AudioReader&&) noexcept;
  AudioReader& operator=(AudioReader&&) noexcept;
  ~AudioReader();

  [[nodiscard]] Hertz sample_rate() const;
  /// Samples per frame, 1 to 1024.
  [[nodiscard]] int channels() const;
  /// Length as the file declares it; empty when it doesn't (pipes, ffmpeg). A damaged file may hold
  /// less.
  [[nodiscard]] std::optional<FrameCount> frames() const;

  /// Reads the next whole frames, full scale +-1, into `interleaved` (channels() floats a frame).
  /// Returns how many frames; 0 at the end.
  FrameCount read(std::span<float> interleaved);

  /// True when the end came from damage (a decoder gave up, the file is shorter than it says) and
  /// not from the end of the sound.
  [[nodiscard]] bool broke_off() const;

 private:
  struct State;
  explicit AudioReader(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace pipebeat::audio
