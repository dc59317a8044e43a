// The `ffmpeg` program as a decoder for what phones make and libsndfile can't read.
#pragma once

#include <sys/types.h>

#include <span>

#include "audio/descriptor.hpp"
#include "pipebeat/result.hpp"

namespace pipebeat::audio {

/// True when the first bytes of a file are those of a container that only ffmpeg reads:
/// MP4/M4A/3GP, AAC (ADTS), AMR, Matroska/WebM, WMA.
[[nodiscard]] bool needs_decoder(std::span<const char> first_bytes);

/// True for the containers that libsndfile reads too, but not with every codec in them (a WAV may
/// hold MP3): worth a second try when libsndfile refuses.
[[nodiscard]] bool decoder_may_help(std::span<const char> first_bytes);

/// A running ffmpeg that writes the sound of a file to a pipe as an AU stream of floats.
/// No shell, no temporary file; the process ends with the object.
class Decoder {
 public:
  /// Starts ffmpeg on a seekable open file.
  /// Errors: unsupported when there is no ffmpeg program; unreadable when it does not start.
  static Result<Decoder> start(int seekable_file);

  Decoder(Decoder&& other) noexcept;
  Decoder& operator=(Decoder&& other) noexcept;
  ~Decoder();

  /// Until sound has come, ffmpeg may use 5 s of processor time: tables of contents that are made to
  /// exhaust it take minutes. From here on it may take as long as it needs.
  void found_sound();

  /// The reading end of the pipe; whoever takes it owns it.
  Descriptor take_output() { return std::move(output_); }

  /// Waits for the end of ffmpeg, once its output has ended; true when it found nothing wrong.
  bool finish();

 private:
  Decoder(pid_t pid, Descriptor output) : pid_{pid}, output_{std::move(output)} {}
  void stop();

  pid_t pid_ = -1;
  Descriptor output_;
};

}  // namespace pipebeat::audio
