// A take on its way to the disk: a WAV that is playable at any moment, whatever ends it.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "audio/descriptor.hpp"
#include "pipebeat/result.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat::audio {

/// A moment that somebody wanted to find again.
struct TakeMark {
  std::int64_t frame = 0;
  std::string text;  ///< "off 3", "on"; printable
};

/// Writes one channel of 32-bit float WAV.
///
/// Every `write` puts the samples on the file and then brings the header up to date, so a process
/// that is killed leaves a file that opens and lacks only what was never written. Room for the
/// RF64 sizes is kept in the header from the start; past 4 GiB the file becomes RF64 in place
/// (EBU Tech 3306). Marks are appended to a file beside it, NAME.marks, one "SECONDS<tab>TEXT" a
/// line, and become WAV cue points with labels when the take is closed; then that file goes.
///
/// Threads: one at a time. Callers ignore SIGXFSZ, or a file-size limit kills the process.
class TakeWriter {
 public:
  /// Creates the file; an existing one is never overwritten.
  /// Errors: bad_argument when it exists; not_found, no_permission or write_failed, naming it.
  static Result<TakeWriter> create(const std::string& path, Hertz sample_rate);

  TakeWriter(TakeWriter&&) noexcept = default;
  TakeWriter& operator=(TakeWriter&&) noexcept = default;
  ~TakeWriter() = default;

  /// Appends samples.
  /// Errors: write_failed (disk full, file-size limit, disk gone). What fitted is kept, the file is
  /// closed to further samples and stays playable.
  Result<void> write(std::span<const float> samples);

  /// Remembers this moment of the take.
  /// Errors: write_failed; the mark is then kept in memory only and still becomes a cue point.
  Result<void> mark(std::string text);

  /// Writes the cue points and finishes the file. Nothing may be called afterwards.
  /// Errors: write_failed; the sound and the file of marks stay as they are.
  Result<void> close();

  [[nodiscard]] const std::string& path() const { return path_; }
  [[nodiscard]] FrameCount frames() const { return FrameCount{frames_}; }
  [[nodiscard]] const std::vector<TakeMark>& marks() const { return marks_; }

 private:
  TakeWriter(std::string path, Descriptor file, std::uint32_t rate)
      : path_{std::move(path)}, file_{std::move(file)}, rate_{rate} {}
  [[nodiscard]] Result<void> write_header(std::uint64_t bytes_after_sound);
  [[nodiscard]] tl::unexpected<Error> trouble(int number) const;

  std::string path_;
  Descriptor file_;
  Descriptor marks_file_;
  std::uint32_t rate_ = 0;
  std::int64_t frames_ = 0;
  bool broken_ = false;
  std::vector<TakeMark> marks_;
};

/// RIFF head, room for ds64, fmt, fact and the head of data, in bytes.
inline constexpr std::uint64_t take_header_size = 12 + 8 + 28 + 8 + 18 + 8 + 4 + 8;

/// What stands before the sound of a take of so many frames, with so many bytes of chunks after it:
/// RIFF up to 4 GiB, RF64 beyond. Always take_header_size bytes.
[[nodiscard]] std::string take_header(std::uint32_t rate, std::uint64_t frames,
                                      std::uint64_t bytes_after_sound);

/// A name that no file has yet: FOLDER/take-YYYYMMDD-HHMMSS.wav, "-2" and so on behind it if needed.
/// The folder is made when only its last part is missing; empty: the current one.
[[nodiscard]] std::string dated_take_name(const std::string& folder);

}  // namespace pipebeat::audio
