// Files of any kind through the reader: from a file, through a stream that can't seek, cue points.
#include <fcntl.h>
#include <sndfile.h>
#include <sys/mman.h>
#include <unistd.h>

#include <array>
#include <cstdlib>
#include <memory>
#include <string>
#include <vector>

#include "audio/cues.hpp"
#include "audio/pipe_stream.hpp"
#include "audio/reader.hpp"
#include "audio/trial.hpp"
#include "fuzz.hpp"

using namespace pipebeat::audio;

namespace {

constexpr std::int64_t most_samples = 1 << 16;

void read_file(const std::string& path) {
  auto reader = AudioReader::open(path);
  if (!reader) {
    fuzz::check(!reader.error().what.empty() && !reader.error().hint.empty(),
                "an error says what to do");
    return;
  }
  const int channels = reader->channels();
  fuzz::check(channels >= 1 && channels <= 1024, "1 to 1024 channels");
  std::vector<float> block(static_cast<std::size_t>(channels) * 512);
  std::int64_t samples = 0;
  for (;;) {
    const std::int64_t frames = reader->read(block).value();
    fuzz::check(frames >= 0 && frames <= 512, "no more frames than asked for");
    samples += frames * channels;
    if (frames == 0 || samples > most_samples) break;
  }
  static_cast<void>(cue_points(path));
}

void read_stream(std::string_view bytes) {
  int ends[2];
  if (::pipe2(ends, O_CLOEXEC) != 0) return;
  Descriptor reading{ends[0]};
  Descriptor writing{ends[1]};
  // What ffmpeg writes, AU, is read from its pipe alone; of anything else a part has been read
  // already.
  const std::size_t ahead = bytes.starts_with(".snd") ? 0 : bytes.size() / 2;
  const std::string_view waiting = bytes.substr(ahead, 32 * 1024);
  if (::write(writing.get(), waiting.data(), waiting.size()) < 0) return;
  writing.reset();
  PipeStream stream{std::move(reading),
                    {bytes.begin(), bytes.begin() + static_cast<std::ptrdiff_t>(ahead)}};
  SF_INFO info{};
  const auto open = [&] {
    PipeStream::callbacks()->seek(0, SEEK_SET, &stream);
    return sf_open_virtual(PipeStream::callbacks(), SFM_READ, &info, &stream);
  };
  if (ahead > 0 && !comes_back(open)) return;
  const std::unique_ptr<SNDFILE, int (*)(SNDFILE*)> file{open(), sf_close};
  stream.forget_from_now_on();
  if (!file || info.channels < 1 || info.channels > 1024) return;
  std::vector<float> block(static_cast<std::size_t>(info.channels) * 512);
  for (std::int64_t samples = 0; samples < most_samples;) {
    const auto frames = sf_readf_float(file.get(), block.data(), 512);
    if (frames <= 0) break;
    samples += frames * info.channels;
  }
}

}  // namespace

extern "C" int LLVMFuzzerInitialize(int*, char***) {
  // Our side only: starting ffmpeg for every input would fuzz the operating system.
  ::setenv("PATH", "/nonexistent", 1);
  return 0;
}

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string_view bytes{reinterpret_cast<const char*>(data), size};
  const Descriptor file{::memfd_create("input", MFD_CLOEXEC)};
  if (!file || ::write(file.get(), data, size) != static_cast<ssize_t>(size)) return 0;
  read_file("/proc/self/fd/" + std::to_string(file.get()));
  read_stream(bytes);
  return 0;
}
