#include "audio/decoder.hpp"

#include <fcntl.h>
#include <spawn.h>
#include <unistd.h>

#include <cerrno>
#include <csignal>
#include <cstring>
#include <string_view>
#include <utility>

#include "audio/child.hpp"

namespace pipebeat::audio {

bool needs_decoder(std::span<const char> first_bytes) {
  const std::string_view head{first_bytes.data(), first_bytes.size()};
  const auto byte = [&](std::size_t i) {
    return i < head.size() ? static_cast<unsigned char>(head[i]) : 0u;
  };
  const std::string_view box = head.size() >= 8 ? head.substr(4, 4) : std::string_view{};
  const bool mp4 = box == "ftyp" || box == "moov" || box == "mdat" || box == "wide";
  // ADTS: twelve sync bits, then layer 00; MPEG audio layers (MP3) have other layer bits.
  const bool adts = byte(0) == 0xFF && (byte(1) & 0xF6u) == 0xF0u;
  return mp4 || adts || head.starts_with("ADIF") || head.starts_with("#!AMR") ||
         head.starts_with("\x1A\x45\xDF\xA3") || head.starts_with("\x30\x26\xB2\x75");
}

bool decoder_may_help(std::span<const char> first_bytes) {
  const std::string_view head{first_bytes.data(), first_bytes.size()};
  return head.starts_with("RIFF") || head.starts_with("RF64") || head.starts_with("OggS") ||
         head.starts_with("FORM") || head.starts_with("caff") || head.starts_with("ID3");
}

Result<Decoder> Decoder::start(int seekable_file) {
  int ends[2];
  if (::pipe2(ends, O_CLOEXEC) != 0) {
    return fail(ErrorCode::unreadable, std::string{"no pipe for ffmpeg: "} + std::strerror(errno),
                "close other programs and try again");
  }
  Descriptor reading{ends[0]};
  Descriptor writing{ends[1]};

  // The file goes in as an open descriptor, so its name can't be taken for an option or a protocol.
  // Only plain containers may be read: playlists, which could make ffmpeg open other files, are not
  // among them.
  const char* const arguments[] = {
      "ffmpeg",
      "-nostdin",
      "-hide_banner",
      "-v",
      "quiet",
      "-protocol_whitelist",
      "file",
      "-format_whitelist",
      "mov,mp4,m4a,3gp,3g2,mj2,aac,amr,amrnb,amrwb,matroska,webm,asf,wav,ogg,aiff,caf,mp3",
      "-i",
      "file:/dev/fd/3",
      "-map",
      "0:a:0",
      "-map_metadata",
      "-1",
      "-f",
      "au",
      "-c:a",
      "pcm_f32be",
      "pipe:1",
      nullptr};

  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  // Out of the way first: one of the ends may itself be descriptor 3.
  const Descriptor file{::fcntl(seekable_file, F_DUPFD_CLOEXEC, 10)};
  posix_spawn_file_actions_adddup2(&actions, writing.get(), STDOUT_FILENO);
  posix_spawn_file_actions_adddup2(&actions, file.get(), 3);
  posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
  posix_spawn_file_actions_addopen(&actions, STDERR_FILENO, "/dev/null", O_WRONLY, 0);
  pid_t pid = -1;
  const int trouble = ::posix_spawnp(&pid, "ffmpeg", &actions, nullptr,
                                     const_cast<char* const*>(arguments), environ);
  posix_spawn_file_actions_destroy(&actions);
  if (trouble == ENOENT) {
    return fail(ErrorCode::unsupported,
                "this format is read through the ffmpeg program, which is not installed",
                "install it (apt-get install ffmpeg), or save the recording as WAV");
  }
  if (trouble != 0) {
    return fail(ErrorCode::unreadable,
                std::string{"ffmpeg did not start: "} + std::strerror(trouble),
                "check the ffmpeg program, or save the recording as WAV");
  }
  // The table of contents of a day of M4A takes 250 MiB and half a second.
  limit(pid, RLIMIT_DATA, rlim_t{512} << 20);
  limit(pid, RLIMIT_CPU, 5);
  return Decoder{pid, std::move(reading)};
}

void Decoder::found_sound() { limit(pid_, RLIMIT_CPU, RLIM_INFINITY); }

Decoder::Decoder(Decoder&& other) noexcept
    : pid_{std::exchange(other.pid_, -1)}, output_{std::move(other.output_)} {}

Decoder& Decoder::operator=(Decoder&& other) noexcept {
  if (this != &other) {
    stop();
    pid_ = std::exchange(other.pid_, -1);
    output_ = std::move(other.output_);
  }
  return *this;
}

Decoder::~Decoder() { stop(); }

void Decoder::stop() {
  if (pid_ < 0) return;
  output_.reset();
  ::kill(pid_, SIGKILL);
  reap(std::exchange(pid_, -1));
}

bool Decoder::finish() {
  if (pid_ < 0) return true;
  const int status = reap(std::exchange(pid_, -1));
  return WIFEXITED(status) && WEXITSTATUS(status) == 0;
}

}  // namespace pipebeat::audio
