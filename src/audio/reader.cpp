#include "audio/reader.hpp"

#include <fcntl.h>
#include <poll.h>
#include <sndfile.h>
#include <sys/mman.h>
#include <sys/stat.h>

#include <array>
#include <cerrno>
#include <cstring>

#include "audio/decoder.hpp"
#include "audio/descriptor.hpp"
#include "audio/header_guard.hpp"
#include "audio/library_chatter.hpp"
#include "audio/pipe_stream.hpp"
#include "audio/trial.hpp"

namespace pipebeat::audio {

namespace {

/// What is held of a pipe at most, so that formats that look ahead can: most of an hour as phones
/// compress it, and still within 64 MiB with the listening. Plain samples look ahead in their
/// header only.
constexpr std::size_t spool_limit = std::size_t{40} << 20;
constexpr std::size_t plain_spool_limit = std::size_t{8} << 20;

/// True for containers of samples that follow each other in time.
bool is_plain(std::span<const char> head) {
  const std::string_view start{head.data(), head.size()};
  return start.starts_with("RIFF") || start.starts_with("RF64") || start.starts_with("FORM") ||
         start.starts_with(".snd") || start.starts_with("riff") || start.starts_with("caff");
}

struct SoundFileCloser {
  void operator()(SNDFILE* file) const {
    const LibraryCall quiet;
    sf_close(file);
  }
};
using SoundFile = std::unique_ptr<SNDFILE, SoundFileCloser>;

tl::unexpected<Error> open_trouble(const std::string& name, int number) {
  switch (number) {
    case ENOENT:
    case ENOTDIR:
      return fail(ErrorCode::not_found, name + ": there is no such file",
                  "check the name and the folder");
    case EACCES:
    case EPERM:
      return fail(ErrorCode::no_permission, name + ": no permission to read it",
                  "change its permissions (chmod u+r) or copy it to a folder of your own");
    case ELOOP:
      return fail(ErrorCode::unreadable, name + ": a link that leads back to itself",
                  "name the recording itself");
    default:
      return fail(ErrorCode::unreadable, name + ": " + std::strerror(number),
                  "check the disk or card it is on, or copy it elsewhere");
  }
}

tl::unexpected<Error> empty(const std::string& name) {
  return fail(ErrorCode::unreadable, name + ": it is empty",
              "record again, or copy the recording from the phone once more");
}

tl::unexpected<Error> no_sound(const std::string& name) {
  return fail(ErrorCode::unreadable, name + ": no sound in it",
              "record again, or copy the recording from the phone once more");
}

tl::unexpected<Error> unknown_format(const std::string& name) {
  return fail(ErrorCode::unsupported, name + ": not a recording, or damaged at its start",
              "play it to check; save it as WAV, FLAC, MP3 or M4A");
}

/// A FIFO that was opened without waiting: waits until somebody writes into it, for as long as a
/// recording program needs to start. False when nobody does. What arrived meanwhile goes into
/// `head`.
bool has_writer(int fifo, std::vector<char>& head) {
  constexpr int patience_ms = 1500;
  constexpr int step_ms = 10;
  for (int waited = 0; waited < patience_ms; waited += step_ms) {
    char byte = 0;
    const ssize_t got = ::read(fifo, &byte, 1);
    if (got > 0) head.push_back(byte);
    // Nothing yet, but somebody holds the other end; 0 means that nobody does.
    if (got > 0 || (got < 0 && errno == EAGAIN)) return ::fcntl(fifo, F_SETFL, 0) == 0;
    ::poll(nullptr, 0, step_ms);
  }
  return false;
}

/// Bytes of a finished pipe as a seekable file that exists in memory only.
Descriptor memory_file(std::span<const char> bytes) {
  Descriptor file{::memfd_create("recording", MFD_CLOEXEC)};
  while (file && !bytes.empty()) {
    const ssize_t put = ::write(file.get(), bytes.data(), bytes.size());
    if (put < 0 && errno == EINTR) continue;
    if (put <= 0) return Descriptor{};
    bytes = bytes.subspan(static_cast<std::size_t>(put));
  }
  if (file) ::lseek(file.get(), 0, SEEK_SET);
  return file;
}

}  // namespace

struct AudioReader::State {
  // Order matters: the sound file is closed before what it reads from.
  std::optional<Decoder> decoder;
  std::unique_ptr<PipeStream> stream;
  std::unique_ptr<CafFile> caf;
  SoundFile file;
  SF_INFO info{};
  sf_count_t read = 0;  ///< frames so far
  std::vector<short> sixteen_bits;
  bool ended = false;
  bool broke_off = false;
  bool cut_short = false;  ///< the file is shorter than its own header says

  /// True when fewer frames came than a file that knows its length has; MP3 only estimates it.
  [[nodiscard]] bool fell_short() const {
    return !stream && (info.format & SF_FORMAT_TYPEMASK) != SF_FORMAT_MPEG && read < info.frames;
  }

  /// Opens a stream that can't seek.
  bool open_stream(Descriptor pipe, std::vector<char> head) {
    // With a head, nothing but the head is read until the header is parsed, so that may be tried.
    // Without one it comes from ffmpeg, whose headers are sound.
    const bool untried = !head.empty();
    stream = std::make_unique<PipeStream>(std::move(pipe), std::move(head));
    const LibraryCall quiet;
    const auto open = [&] {
      PipeStream::callbacks()->seek(0, SEEK_SET, stream.get());
      return sf_open_virtual(PipeStream::callbacks(), SFM_READ, &info, stream.get());
    };
    if (untried && !comes_back(open)) return false;
    file.reset(open());
    stream->forget_from_now_on();
    return file != nullptr;
  }

  /// Opens a seekable file.
  bool open_file(Descriptor seekable, std::span<const char> head) {
    const LibraryCall quiet;
    if (is_caf(head)) {
      caf = std::make_unique<CafFile>(std::move(seekable));
      const auto open = [&] {
        CafFile::callbacks()->seek(0, SEEK_SET, caf.get());
        return sf_open_virtual(CafFile::callbacks(), SFM_READ, &info, caf.get());
      };
      if (comes_back(open)) file.reset(open());
    } else {
      const auto open = [&] {
        ::lseek(seekable.get(), 0, SEEK_SET);  // the sound begins where the file stands
        const int its_own = ::fcntl(seekable.get(), F_DUPFD_CLOEXEC, 3);
        return sf_open_fd(its_own, SFM_READ, &info, SF_TRUE);
      };
      // A process for a trial costs a tenth of a minute's hearing where several are heard at a time.
      const bool harmless = is_plain_wav(read_at(seekable.get()), ::lseek(seekable.get(), 0, SEEK_END));
      if (harmless || comes_back(open)) file.reset(open());
    }
    return file != nullptr;
  }

  /// Up to `capacity` frames; at most 0 at the end and in trouble.
  sf_count_t read_frames(std::span<float> interleaved, sf_count_t capacity) {
    const LibraryCall quiet;
    if ((info.format & SF_FORMAT_SUBMASK) != SF_FORMAT_PCM_16) return sf_readf_float(file.get(), interleaved.data(), capacity);
    // What most recordings hold is read as it is: the library would fetch it in pieces of 8 KiB and turn one
    // sample after another.
    sixteen_bits.resize(interleaved.size());
    const sf_count_t got = sf_readf_short(file.get(), sixteen_bits.data(), capacity);
    constexpr float step = 1.0F / 32768.0F;  // as the library has it
    const auto count = static_cast<std::size_t>(std::max<sf_count_t>(0, got) * info.channels);
    for (std::size_t i = 0; i < count; ++i) interleaved[i] = static_cast<float>(sixteen_bits[i]) * step;
    return got;
  }

  /// Opens a seekable file through ffmpeg.
  Result<void> decode(int seekable_file) {
    auto started = Decoder::start(seekable_file);
    if (!started) return tl::unexpected(started.error());
    decoder.emplace(std::move(*started));
    info = SF_INFO{};
    if (!open_stream(decoder->take_output(), {})) {
      return fail(ErrorCode::unreadable, "ffmpeg finds no sound in it, or it is damaged",
                  "play it to check, record again, or save it as WAV");
    }
    decoder->found_sound();
    return {};
  }
};

AudioReader::AudioReader(std::unique_ptr<State> state) : state_{std::move(state)} {}
AudioReader::AudioReader(AudioReader&&) noexcept = default;
AudioReader& AudioReader::operator=(AudioReader&&) noexcept = default;
AudioReader::~AudioReader() = default;

Result<AudioReader> AudioReader::open(const std::string& path) {
  const bool standard_input = path == "-";
  const std::string name = standard_input ? "standard input" : path;
  Descriptor source{standard_input
                        ? ::fcntl(STDIN_FILENO, F_DUPFD_CLOEXEC, 3)
                        : ::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK)};
  if (!source) return open_trouble(name, errno);

  struct stat status {};
  if (::fstat(source.get(), &status) != 0) return open_trouble(name, errno);
  if (S_ISDIR(status.st_mode)) {
    return fail(ErrorCode::unreadable, name + ": it is a folder, not a recording",
                "name the recordings in it, for example " + name + "/*.wav");
  }
  if (::isatty(source.get()) != 0) {
    return fail(ErrorCode::unreadable, name + ": it is a terminal, not a recording",
                "pipe a recording in, for example: pipebeat check - < van.wav");
  }

  std::vector<char> arrived;
  if (standard_input || !S_ISFIFO(status.st_mode)) {
    if (!standard_input) ::fcntl(source.get(), F_SETFL, 0);
  } else if (!has_writer(source.get(), arrived)) {
    return fail(ErrorCode::unreadable, name + ": a pipe that nobody writes into",
                "start the program that records first");
  }

  auto state = std::make_unique<State>();
  std::array<char, 16> first{};
  std::size_t first_count = 0;
  if (S_ISREG(status.st_mode)) {
    const ssize_t got = ::pread(source.get(), first.data(), first.size(), 0);
    if (got < 0) return open_trouble(name, errno);
    first_count = static_cast<std::size_t>(got);
    state->cut_short = promises_more(std::span{first}.first(first_count), status.st_size);
  } else {
    bool ended = false;
    std::vector<char> head = read_up_to(source.get(), std::move(arrived), first.size(), ended);
    const std::size_t limit = is_plain(head) ? plain_spool_limit : spool_limit;
    head.reserve(limit);  // growing by doubling would hold it twice
    if (!ended) head = read_up_to(source.get(), std::move(head), limit, ended);
    first_count = std::min(head.size(), first.size());
    std::copy_n(head.begin(), first_count, first.begin());
    if (!ended) {
      if (needs_decoder(first)) {
        return fail(ErrorCode::unsupported,
                    name + ": more than 40 MiB of a compressed format through a pipe",
                    "save it to a file and check the file");
      }
      if (ogg_header_is_oversized(read_at(std::span<const char>{head})) ||
          !state->open_stream(std::move(source), std::move(head))) {
        return unknown_format(name);
      }
      return AudioReader{std::move(state)};
    }
    source = memory_file(head);
    if (!source) return open_trouble(name, errno);
  }
  if (first_count == 0) return empty(name);

  const std::span<const char> head = std::span{first}.first(first_count);
  if (needs_decoder(head)) {
    if (auto started = state->decode(source.get()); !started) {
      Error error = started.error();
      error.what = name + ": " + error.what;
      return tl::unexpected(error);
    }
    return AudioReader{std::move(state)};
  }

  if (ogg_header_is_oversized(read_at(source.get()))) {
    return fail(ErrorCode::unsupported, name + ": its titles and pictures are longer than 16 MiB",
                "save the sound without them, or as WAV");
  }
  Descriptor second_try{decoder_may_help(head) ? ::fcntl(source.get(), F_DUPFD_CLOEXEC, 3) : -1};
  if (!state->open_file(std::move(source), head)) {
    if (!second_try || !state->decode(second_try.get())) return unknown_format(name);
    return AudioReader{std::move(state)};
  }
  if (state->info.frames == 0) return no_sound(name);
  return AudioReader{std::move(state)};
}

Hertz AudioReader::sample_rate() const {
  return Hertz{static_cast<double>(state_->info.samplerate)};
}

int AudioReader::channels() const { return state_->info.channels; }

std::optional<FrameCount> AudioReader::frames() const {
  if (state_->stream || state_->info.frames <= 0) return std::nullopt;
  return FrameCount{state_->info.frames};
}

FrameCount AudioReader::read(std::span<float> interleaved) {
  if (state_->ended) return FrameCount{0};
  const auto capacity =
      static_cast<sf_count_t>(interleaved.size() / static_cast<std::size_t>(channels()));
  const sf_count_t got = state_->read_frames(interleaved, capacity);
  if (got <= 0) {
    state_->ended = true;
    const bool decoder_content = !state_->decoder || state_->decoder->finish();
    state_->broke_off = !decoder_content || state_->cut_short || state_->fell_short() ||
                        sf_error(state_->file.get()) != SF_ERR_NO_ERROR;
    return FrameCount{0};
  }
  state_->read += got;
  return FrameCount{got};
}

bool AudioReader::broke_off() const { return state_->broke_off; }

}  // namespace pipebeat::audio
